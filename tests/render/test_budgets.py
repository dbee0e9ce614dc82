"""Sizes, loads and licences of a plan: what is summed, and where it is shown."""

from __future__ import annotations

import json
import re
from dataclasses import replace

from robokit_plan.model import (
    Capacity,
    DebianName,
    DistributionName,
    InstanceName,
    ItemKind,
    Load,
    Milliamp,
    Millivolt,
    Plan,
    Rail,
    SupplyName,
    building_bytes,
    card_bytes,
    fetched_bytes,
    instance_sizes,
    most_bytes,
    sized_items,
)
from robokit_plan.render import (
    Report,
    diff_plans,
    render_check_json,
    render_diff_text,
    render_report,
    render_summary,
)
from tests.render.boards import TWENTY
from tests.render.pages import page_of
from tests.render.plans import HERON, deb, instance, sdist, wheel
from tests.render.test_report import ROBOT
from tests.render.test_script import script_of

PLAN = replace(
    HERON,
    instances=(
        instance("helm", memory_mb=60, cpu_percent=8, license="MIT"),
        instance("sonar", memory_mb=240, cpu_percent=30, license="Apache-2.0"),
        instance("compass"),
    ),
    python=(
        wheel("numpy", "2.3.1", wanted_by=("helm", "sonar"), size=1_000_000),  # thrice as large installed
        wheel("echo", "1.0", wanted_by=("sonar",), size=200_000),
        replace(sdist("spidev", "3.8", wanted_by=("helm",)), installed_size=None, license="BSD"),
    ),
    build=(wheel("setuptools", "80.9.0", wanted_by=("helm",), size=500_000),),
    debian=(
        deb("gcc", "4:14.2.0-1", wanted_by=("helm",), size=1_500_000),  # four times as large installed
        deb("libecho1", "1.0-1", wanted_by=("sonar",), size=100_000),
    ),
    capacity=Capacity(
        memory_sizes_mb=(1024, 2048), cores=4, card_bytes=15_200_000_000, system_memory_mb=150,
        system_card_bytes=647_000_000,
    ),
)  # fmt: skip
PLAN = replace(PLAN, machine=replace(PLAN.machine, assets=()))


def page(plan: Plan) -> str:
    report = Report(plan=plan, robot=ROBOT, board=TWENTY, manifests={})
    return "".join(page_of(render_report(report, style="", script="")).texts)


def test_sums_by_kind() -> None:
    """Added up by hand from the sizes above; 10 kB is the size of the sdist, four times that on the card."""
    sums = {
        kind.value: (fetched_bytes(some), card_bytes(some))
        for kind in ItemKind
        if (some := [one for one in sized_items(PLAN) if one.kind is kind])
    }
    assert sums == {
        "Python": (1_210_000, 3_640_000),
        "Debian": (100_000, 400_000),
        "to build": (2_000_000, 6_000_000),  # setuptools lies there only while it builds
    }


def test_own_is_what_goes_and_shared_is_what_stays() -> None:
    sizes = {one.instance: one for one in instance_sizes(PLAN)}
    assert [sizes[InstanceName(name)].own_fetch for name in ("helm", "sonar", "compass")] == [
        10_000 + 500_000 + 1_500_000, 200_000 + 100_000, 0,
    ]  # fmt: skip
    assert sizes[InstanceName("helm")].own_card == 40_000 + 6_000_000
    assert [one.shared_card for one in sizes.values()] == [3_000_000, 3_000_000, 0]


def test_shared_and_own_are_everything_where_two_share() -> None:
    """Whoever disables all of them frees all: own parts and, once, the shared one."""
    sizes = instance_sizes(PLAN)
    own = sum(one.own_card for one in sizes)
    assert own + sizes[0].shared_card == card_bytes(sized_items(PLAN))


def test_the_summary_says_what_is_left() -> None:
    assert (
        "load     450 MB of memory with the system's own, limit 1024 MB or more; 38 % of a core, "
        "limit 400 %; 1 plugin not counted\n"
        "card     657 MB with the system's own, 692 MB while it is installed, limit 15 GB\n"
    ) in render_summary(PLAN)


def test_the_summary_says_what_only_builds_need() -> None:
    told = replace(PLAN, debian_build=(DebianName("gcc"),))
    assert "6.4 MB on the card, 6.0 MB of it only to build\n" in render_summary(told)
    assert "only to build" not in render_summary(replace(PLAN, debian_build=()))


def test_a_robot_without_declared_loads_says_nothing_of_them() -> None:
    silent = replace(PLAN, instances=(instance("helm"),), capacity=Capacity())
    assert "\nload " not in render_summary(silent)
    assert "\ncard " not in render_summary(silent)


def test_json_says_it_by_plugin() -> None:
    found = json.loads(render_check_json(PLAN))
    assert found["budgets"]["memory_mb"] == {"plugins": 300, "system": 150, "sizes": [1024, 2048]}
    assert found["budgets"]["cpu_percent"] == {"plugins": 38, "limit": 400}
    assert found["budgets"]["card"] == {
        "fetch": 3_310_000,
        "installed": 10_040_000,
        "installed_to_build": 6_000_000,
        "system": 647_000_000,
        "room": 15_200_000_000,
    }
    assert found["budgets"]["plugins"][1] == {
        "name": "sonar",
        "memory_mb": 240,
        "cpu_percent": 30,
        "own": {"fetch": 300_000, "installed": 1_000_000},
        "shared": {"fetch": 1_000_000, "installed": 3_000_000},
    }
    assert [one["license"] for one in found["plugins"]] == ["MIT", "Apache-2.0", None]
    assert [one["license"] for one in found["python"]] == ["MIT", "MIT", "BSD"]


def test_a_diff_says_what_memory_and_processor_gain() -> None:
    before = replace(
        PLAN,
        instances=tuple(one for one in PLAN.instances if one.name != "sonar"),
        python=tuple(one for one in PLAN.python if one.name != DistributionName("echo")),
        debian=PLAN.debian[:1],
    )
    text = render_diff_text(diff_plans(before, PLAN), width=100)
    size = text[text.index("\nsize\n") :].splitlines()[2:]
    assert [line.split() for line in size if line.strip()] == [
        ["to", "fetch", "3.0", "MB", "3.3", "MB", "sonar"],
        ["on", "the", "card", "9.0", "MB", "10", "MB", "sonar"],
        ["memory", "in", "use", "60", "MB", "300", "MB", "sonar"],
        ["processor", "in", "use", "8", "%", "of", "a", "core", "38", "%", "of", "a", "core", "sonar"],
    ]  # fmt: skip


def test_the_page_shows_sizes_loads_and_licences() -> None:
    shown = page(PLAN)
    for told in (
        "450 MB with the system's own, limit 1024 MB, the least of its kind",
        "38 % of a core, limit 400 %",
        "657 MB with the system's own, 692 MB while it is installed, limit 15 GB",
        "Python: 3 files, 1.2 MB to fetch, 3.6 MB on the card",
        "to build: 2 files, 2.0 MB to fetch, 6.0 MB on the card",
        "BSD, in its makers' words",
        "2 Debian packages: their licences are in no index",
    ):
        assert told in shown


def test_the_page_draws_no_bar_without_a_limit() -> None:
    def bars(plan: Plan) -> int:
        report = Report(plan=plan, robot=ROBOT, board=TWENTY, manifests={})
        return render_report(report, style="", script="").count('class="bar"')

    rails = len(PLAN.rails)
    assert (bars(PLAN), bars(replace(PLAN, capacity=Capacity()))) == (rails + 3, rails)


def test_what_is_in_no_sum_is_named_behind_it() -> None:
    """A pack whose board says no current lasts less long than the sums tell, through a converter too."""
    board = Load(instance=InstanceName("board"), claim="maker,board", typical=None, peak=None)
    feed = Load(
        instance=InstanceName("main-5v"), claim="converter", typical=Milliamp(100), peak=None
    )
    rail = Rail(
        name=SupplyName("main-5v"),
        volts=Millivolt(5100),
        limit=Milliamp(3000),
        typical=Milliamp(120),
        peak=Milliamp(150),
        loads=(board,),
    )
    pack = replace(rail, name=SupplyName("pack"), loads=(feed,), run_minutes=226)
    shown = render_summary(replace(PLAN, rails=(rail, pack)))
    tail = "120 mA typical, 150 mA peak, limit 3 A"
    assert f"power    main-5v 5.1 V: {tail}; not counted: the board itself\n" in shown
    assert (
        f"power    pack 5.1 V: {tail}, lasts less than 3 h 46 min; not counted: the board itself\n"
        in shown
    )
    known = replace(rail, loads=(replace(board, typical=Milliamp(600)),))
    assert "lasts about 3 h 46 min\n" in render_summary(replace(PLAN, rails=(known, pack)))


def test_builds_take_room_one_after_the_other() -> None:
    """The larger of two counts; ten times the sdist where nothing is known of a build."""
    pins = [sdist(name, "1.0") for name in ("alpha", "beta")]
    known, guessed = (replace(one, file=replace(one.file, size=1000)) for one in pins)
    plan = replace(HERON, python=(known, guessed), build=(), debian=())
    assert building_bytes(replace(plan, build_room={known.name: 3})) == 3_000_000
    assert building_bytes(plan) == 10_000
    assert building_bytes(replace(plan, python=())) == 0
    items = sized_items(plan)
    assert most_bytes(plan, items) == card_bytes(items) + fetched_bytes(items) + 10_000


def test_the_script_asks_for_the_room_of_a_build() -> None:
    roomy = replace(HERON, build_room={pin.name: 900 for pin in HERON.python if not pin.is_wheel})
    assert roomy.build_room
    needs = []
    for plan in (HERON, roomy):
        found = re.search(r"^\s*need_kb=(\d+)$", script_of(plan), re.MULTILINE)
        assert found is not None
        needs.append(int(found[1]))
    assert needs[1] - needs[0] == 870_000  # 30 MB before
