"""The report page: everything of a plan, nothing of its texts as markup, the same bytes always."""

from __future__ import annotations

import base64
import json
import os
import re
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from robokit_plan.edge.report_files import read_report_files
from robokit_plan.model import (
    Assignment,
    BoardId,
    CarriedPin,
    CarrierPort,
    ClaimName,
    Controller,
    ControllerName,
    DebianName,
    DistributionName,
    InstanceName,
    LineName,
    LineUse,
    Milliamp,
    Millivolt,
    Origin,
    Place,
    PortName,
    Rail,
    ResourceName,
    Robot,
    RobotName,
    Severity,
    SupplyName,
    finding,
)
from robokit_plan.render import Report, Toggle, plain, render_report, report_name
from tests.render.boards import TWENTY
from tests.render.pages import Page, page_of
from tests.render.plans import HERON, instance, names, sha, wheel

STYLE, SCRIPT = read_report_files()
HERE = Origin(file="robot.yaml", line=3, column=5)

CLASH = finding(
    "pin-collision",
    Severity.ERROR,
    "gpio17 is claimed twice",
    places=[
        Place(origin=Origin(file="plugins/mast/manifest.yaml", line=12, column=7), label="mast"),
        Place(origin=HERE, label="helm enabled here"),
    ],
    why="one pin carries one function at a time",
    repair="robokit-plan disable mast",
    plugins=["helm", "mast"],
)
LOOK = finding("rail-tight", Severity.WARNING, "little is left", places=[HERE])
NOTE = finding("sdist-build", Severity.NOTE, "spidev is compiled", places=[HERE], why="no wheel")

RAFT = replace(
    HERON,
    assignments=(
        *HERON.assignments,
        Assignment(
            instance=InstanceName("helm"),
            claim=ClaimName("rudder"),
            section="signals",
            resource=ResourceName("fin-mcu 3"),
            lines=(LineUse(signal="rudder", line=LineName("3"), position=None),),
            controller=ControllerName("fin-mcu"),
        ),
        Assignment(
            instance=InstanceName("helm"),
            claim=ClaimName("pump"),
            section="ports",
            resource=ResourceName("port P5"),
            port=PortName("P5"),
        ),
    ),
    rails=(
        *HERON.rails,
        Rail(
            name=SupplyName("pack-a"),
            volts=Millivolt(7400),
            limit=Milliamp(1000),
            typical=Milliamp(400),
            peak=Milliamp(1500),
        ),
        Rail(
            name=SupplyName("spare"),
            volts=Millivolt(5000),
            limit=None,
            typical=Milliamp(100),
            peak=Milliamp(200),
        ),
    ),
    findings=(LOOK, NOTE),
)
ROBOT = Robot(
    name=RobotName("heron"),
    board=BoardId("example,twenty"),
    profiles={"bench": ()},
    controllers={
        ControllerName("fin-mcu"): Controller(
            name=ControllerName("fin-mcu"), chip="rp2040", link="usb", origin=HERE
        )
    },
    ports=(
        CarrierPort(name=PortName("P1"), kind="i2c", bus="i2c1", origin=HERE),
        CarrierPort(name=PortName("P5"), kind="5V", supply=SupplyName("pack-a"), origin=HERE),
    ),
    digest=sha("robot"),
    origin=Origin(file="robot.yaml"),
)
WITH_MAST = replace(
    RAFT,
    instances=(*RAFT.instances, instance("mast")),
    python=(*RAFT.python, wheel("yarl", "1.2", wanted_by=("mast",))),
    findings=(CLASH, replace(LOOK, places=(Place(origin=replace(HERE, line=4)),)), NOTE),
)
REPORT = Report(
    plan=RAFT,
    robot=ROBOT,
    board=TWENTY,
    manifests={},
    toggles=(
        Toggle(
            name=InstanceName("helm"),
            plugin=RAFT.instances[2].plugin,
            on=True,
            plan=replace(RAFT, instances=RAFT.instances[:2], findings=(NOTE,)),
        ),
        Toggle(
            name=InstanceName("mast"),
            plugin=instance("mast").plugin,
            on=False,
            plan=WITH_MAST,
            summary="A mast with a lamp",
            version="0.3.1",
            license="MIT",
        ),
        Toggle(
            name=InstanceName("shy"),
            plugin=instance("shy").plugin,
            on=False,
            plan=None,
            refused="the index did not answer",
        ),
    ),
)


def made(report: Report = REPORT) -> str:
    return render_report(report, style=STYLE, script=SCRIPT)


def read(report: Report = REPORT) -> Page:
    return page_of(made(report))


def data(page: Page) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(page.raw["switch-data"])
    return found


def words(page: Page) -> str:
    return " ".join("".join(page.texts).split())


# --- what it shows ----------------------------------------------------------------------------


def test_the_page_says_everything_that_the_plan_holds() -> None:
    shown = words(read())
    for told in (
        "heron can be built on raspberrypi,4-model-b with debian-13 arm64; look at 1 warning",
        "▲ warning rail-tight",
        "Side and stern lights of the raft",
        "leds: 8",
        "espeak-ng 1.52.0+dfsg-5",
        "reads secret SHORE_TOKEN: token of the shore radio account",
        "may power-off",
        "models/voice.onnx, 48 kB, CC-BY-4.0, from https://models.example/voice.onnx",
        "data on main-5v: 120 mA typical, 480 mA peak",
        "main-5v 5.1 V: 900 mA typical, 1.68 A peak, limit 3 A (56 % of it at the peak)",
        "pack-a 7.4 V: 400 mA typical, 1.5 A peak, limit 1 A: the peak is 500 mA beyond it",
        "spare 5 V: 100 mA typical, 200 mA peak, no limit declared",
        "not declared, so not in the sum: compass.imu",
        "dtparam=i2c_arm=on",
        "motion (helm)",
        "local codes, the data sheet of each part",
        "controller fin-mcu",
        "port P1",
        "profilesbench",
    ):
        assert told in shown, told


def test_every_wire_and_plug_has_a_box_to_tick_of_its_own() -> None:
    boxes = read().values("data-wire")
    wires = sum(max(1, len(one.lines)) for one in RAFT.assignments)
    assert len(boxes) == len(set(boxes)) == wires == 6


def test_each_link_leads_somewhere_and_nothing_leads_out() -> None:
    page = read()
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    for link in page.values("href"):
        assert link == "data:," or (link.startswith("#") and link[1:] in ids), link
    for reference in ("aria-labelledby", "for", "aria-describedby"):
        assert set(page.values(reference)) <= set(ids)
    assert not {"src", "srcset", "action", "poster", "style"} & {
        name for _, name, _ in page.attributes
    }
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]
    assert "://" not in STYLE.replace("url(#", "")
    assert not re.search(r"@import|url\((?!#)", STYLE)
    assert not re.search(r"fetch\(|XMLHttpRequest|WebSocket|innerHTML|eval\(|import\(", SCRIPT)


def test_only_our_own_style_and_program_run() -> None:
    """CSP Level 3, 2.3.1: a digest is the base64 of the SHA-256 of the element's content."""
    page = read()
    policy = next(
        value for tag, name, value in page.attributes if name == "content" and "default" in value
    )
    for kind, directive in (("script", "script-src"), ("style", "style-src")):
        digest = base64.b64encode(sha256(page.raw[kind].encode()).digest()).decode()
        assert f"{directive} 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    assert "</style" not in STYLE.lower()
    assert "</script" not in SCRIPT.lower()
    assert "<!--" not in SCRIPT


def test_a_profile_has_a_page_of_its_own() -> None:
    assert report_name(RAFT) == "report-heron.html"
    bench = replace(REPORT, plan=replace(RAFT, profile="bench"))
    assert report_name(bench.plan) == "report-heron-bench.html"
    page = read(bench)
    assert "robokit-plan enable mast --profile bench" in words(page)
    assert data(page)["profile"] == "bench"


def test_an_empty_robot_has_a_page_too() -> None:
    bare = replace(
        RAFT,
        instances=(), providers={}, assignments=(), python=(), build=(), debian=(), boot=(),
        rails=(), hazards={}, findings=(), digests={}, program=None, machine=type(RAFT.machine)(),
    )  # fmt: skip
    shown = words(read(replace(REPORT, plan=bare, toggles=())))
    assert "Nothing is wired." in shown
    assert "Nothing enabled is known to hurt." in shown


# --- power -----------------------------------------------------------------------------------


def test_a_bar_ends_at_the_limit_or_where_the_peak_is_beyond_it() -> None:
    """By hand: 988 of 1000 units are the scale; 900 and 1680 of 3000 mA, 400 of 1500 mA."""
    bars = [one for one in re.findall(r"<svg.*?</svg>", made()) if 'class="bar"' in one]
    marks = [dict(re.findall(r'<line x1="(\d+)"[^>]*class="mark (\w+)-mark"', one)) for one in bars]
    assert [{kind: int(at) for at, kind in one.items()} for one in marks] == [
        {"typical": 296, "peak": 553, "limit": 988},
        {"typical": 263, "peak": 988, "limit": 658},
        {"typical": 494, "peak": 988},
    ]
    assert ['class="over"' in one for one in bars] == [False, True, False]


# --- switches --------------------------------------------------------------------------------


def test_a_switch_shows_what_is_new_and_what_is_gone_whatever_line_it_moved_to() -> None:
    found = data(read())
    helm, mast, shy = found["switches"]
    rules = [one["rule"] for one in found["findings"]]
    assert [rules[at] for at in found["base"]["findings"]] == ["rail-tight", "sdist-build"]
    assert [rules[at] for at in mast["findings"]] == ["pin-collision", "rail-tight", "sdist-build"]
    assert [rules[at] for at in mast["new"]] == ["pin-collision"]
    assert mast["gone"] == []
    assert [rules[at] for at in helm["gone"]] == ["rail-tight"]
    assert (mast["ok"], helm["ok"]) == (False, True)
    assert shy["refused"] == "the index did not answer"
    assert [one["command"] for one in found["switches"]] == [
        "robokit-plan disable helm",
        "robokit-plan enable mast",
        "robokit-plan enable shy",
    ]
    assert ["Python", "yarl", "none", "1.2", "mast"] in mast["rows"]


def test_the_command_quotes_what_a_shell_would_read() -> None:
    hostile = replace(REPORT.toggles[2], plugin=type(REPORT.toggles[2].plugin)("a; rm -rf $HOME"))
    shown = data(read(replace(REPORT, toggles=(hostile,))))["switches"][0]
    assert shown["command"] == "robokit-plan enable 'a; rm -rf $HOME'"


# --- injection --------------------------------------------------------------------------------


def marked(value: Any, prefix: str) -> Any:
    """
    Return *value* with *prefix* before each text inside it, but for what we draw ourselves.

    A prefix keeps the order of names and the ends of file names, so only markup could differ.
    """
    if isinstance(value, Enum | bool | int | float | None):
        return value
    if isinstance(value, str):
        return prefix + value if value else value
    if isinstance(value, tuple):
        return tuple(marked(one, prefix) for one in value)
    if isinstance(value, Mapping):
        return {marked(key, prefix): marked(one, prefix) for key, one in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        kept = {"line", "position"}  # names of the board, which is ours
        return replace(
            value,
            **{
                one.name: marked(getattr(value, one.name), prefix)
                for one in fields(value)
                if one.name not in kept
            },
        )
    return value


def hostile_page(prefix: str) -> Page:
    report = replace(
        REPORT,
        plan=marked(RAFT, prefix),
        robot=marked(ROBOT, prefix),
        toggles=tuple(marked(one, prefix) for one in REPORT.toggles),
    )
    return read(report)


@pytest.fixture(scope="module")
def harmless() -> Page:
    return hostile_page("x")


NASTY = st.text(
    st.sampled_from("<>&\"'/=!- \t\n\x00\u2028\u202ea") | st.characters(exclude_categories=["Cs"]),
    min_size=1,
    max_size=12,
)


@given(prefix=NASTY)
@settings(max_examples=40, deadline=None)
@example(prefix="</script><script>alert(1)</script>")
@example(prefix="<!--<script>")
@example(prefix='"><img src=x onerror=alert(1)>')
@example(prefix="' onfocus=alert(1) autofocus='")
@example(prefix="</style></title></textarea>")
@example(prefix="&lt;b&gt;&#60;")
@example(prefix="]]><svg/onload=alert(1)>")
@example(prefix="\ud800<")
def test_no_text_of_a_manifest_or_robot_file_is_more_than_text(harmless: Page, prefix: str) -> None:
    """Whatever stands in any field, the page has the same tags and attributes."""
    page = hostile_page(prefix)
    assert page.skeleton == harmless.skeleton
    assert set(page.raw) == {"style", "switch-data", "page-data", "script"}
    for island in ("switch-data", "page-data"):
        assert "<" not in page.raw[island]
        json.loads(page.raw[island])
    assert page.raw["script"] == SCRIPT
    shown = "".join(page.texts)
    for told in ("Side and stern lights", "dtparam=i2c_arm=on", "little is left", "P5", "rp2040"):
        assert plain(prefix) + told in shown


def test_a_hostile_name_is_shown_as_it_is_written() -> None:
    page = hostile_page("<b>")
    assert "<b>helm" in page.texts
    assert data(page)["switches"][0]["name"] == "<b>helm"


# --- bytes and colours ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", ["1", "4711"])
def test_the_same_plan_gives_the_same_bytes(seed: str) -> None:
    code = "import sys; from tests.render.test_report import made; sys.stdout.write(made())"
    ran = subprocess.run(
        [sys.executable, "-c", code],
        env={"PATH": os.environ["PATH"], "PYTHONHASHSEED": seed, "PYTHONIOENCODING": "utf-8"},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        check=True,
    )
    assert ran.stdout.decode("utf-8") == made()


def contrast(one: str, two: str) -> float:
    """Return the contrast ratio. Source: WCAG 2.1, definitions of relative luminance and ratio."""

    def luminance(colour: str) -> float:
        parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(two)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_measured_as_the_standard_does() -> None:
    """WCAG 2.1: black on white is 21:1; G18 works the example #767676 on white, 4.54:1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("dark", [False, True])
def test_colours_can_be_told_apart(dark: bool) -> None:
    """WCAG 2.1 AA: 4.5:1 for text (1.4.3), 3:1 for what a control or a mark is known by (1.4.11)."""
    blocks = re.findall(r":root \{(.*?)\}", STYLE, re.DOTALL)
    palette = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[0]))
    if dark:
        palette |= dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[1]))
    for ground in ("paper", "sheet"):
        for ink in ("ink", "faint", "link"):
            assert contrast(palette[ink], palette[ground]) >= 4.5, (ink, ground)
        for shape in ("edge", "bar"):
            assert contrast(palette[shape], palette[ground]) >= 3, (shape, ground)
    for badge in ("red", "orange", "sky", "green"):
        assert contrast("#000000", palette[badge]) >= 4.5, badge


def test_the_colours_are_those_of_the_published_palette() -> None:
    """M. Okabe and K. Ito, "Color Universal Design" (2008), figure 16."""
    published = {
        "blue": "#0072b2", "sky": "#56b4e9", "orange": "#e69f00", "red": "#d55e00",
        "green": "#009e73",
    }  # fmt: skip
    assert published.items() <= dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", STYLE)).items()


def test_instances_that_share_a_manifest_have_places_of_their_own() -> None:
    twins = replace(RAFT, instances=(instance("a", plugin="a"), instance("b", plugin="a")))
    ids = read(replace(REPORT, plan=twins, toggles=())).values("id")
    assert {"plugin-a", "plugin-b"} <= set(ids)


def test_names_that_differ_only_in_odd_characters_have_places_of_their_own() -> None:
    odd = replace(RAFT, instances=(instance("a b"), instance("a.b"), instance("a.20.b")))
    page = read(replace(REPORT, plan=odd, toggles=()))
    assert len([one for one in page.values("id") if one.startswith("plugin-a")]) == 3


def test_names_of_who_brings_a_hazard_lead_to_the_cautions() -> None:
    assert read().values("href").count("#cautions") == 1 + len(names("helm"))


def test_what_debian_brings_to_a_plugin_is_told_with_it() -> None:
    """Among what the plugin brings, not only in the sum at the top."""
    carried = CarriedPin(
        name=DistributionName("numpy"),
        version="2.2.4",
        package=DebianName("python3-numpy"),
        wanted_by=names("helm"),
    )
    page = read(replace(REPORT, plan=replace(RAFT, carried=(carried,)), toggles=()))
    assert "numpy 2.2.4, brought by python3-numpy" in "".join(page.texts)
