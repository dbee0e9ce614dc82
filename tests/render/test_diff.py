"""The install diff: what changes, because of whom, and what a person must do."""

from __future__ import annotations

import json
from dataclasses import replace

from hypothesis import given, settings
from markdown_it import MarkdownIt

from robokit_plan.model import (
    Assignment,
    BootSetting,
    ClaimName,
    InstanceName,
    LineName,
    LineUse,
    Milliamp,
    PinId,
    Plan,
    ResourceName,
    VariantName,
)
from robokit_plan.render import (
    Attention,
    DiffRow,
    Domain,
    Kind,
    MovedFindings,
    PlanDiff,
    diff_object,
    diff_plans,
    render_diff_json,
    render_diff_markdown,
    render_diff_text,
)
from tests.render.plans import HERON, deb, instance, names, wheel
from tests.render.strategies import plans

WITHOUT_LIGHTS = replace(
    HERON,
    instances=HERON.instances[1:],
    assignments=HERON.assignments[1:],
    python=HERON.python[:2],
    build=(),
    debian=tuple(pin for pin in HERON.debian if pin.name != "gcc"),
    debian_build=(),
    boot=HERON.boot[:1],
    rails=(
        replace(
            HERON.rails[0],
            loads=HERON.rails[0].loads[1:],
            typical=Milliamp(780),
            peak=Milliamp(1200),
        ),
    ),
)


def rows(
    old: Plan | None, new: Plan, domain: Domain
) -> list[tuple[str, str, str, tuple[str, ...]]]:
    return [
        (row.item, row.now or "none", row.after or "none", row.because_of)
        for row in diff_plans(old, new).rows
        if row.domain is domain
    ]


def attention(old: Plan | None, new: Plan) -> list[str]:
    return [f"{one.kind.value}: {one.text}" for one in diff_plans(old, new).attention]


def signal(name: str, claim: str, line: str, position: str) -> Assignment:
    return Assignment(
        instance=InstanceName(name),
        claim=ClaimName(claim),
        section="signals",
        resource=ResourceName(line),
        lines=(LineUse(signal=claim, line=LineName(line), position=PinId(position)),),
    )


def test_the_same_plan_has_no_difference() -> None:
    assert not diff_plans(HERON, HERON)
    assert render_diff_text(diff_plans(HERON, HERON)) == "nothing changes\n"
    assert render_diff_markdown(diff_plans(HERON, HERON)) == "Nothing changes.\n"


def test_findings_and_tags_are_no_difference() -> None:
    """A lock file holds neither, so a plan must equal its own lock."""
    tagged = replace(HERON, target=replace(HERON.target, tags=("py3-none-any",)))
    assert not diff_plans(HERON, tagged)


def test_disabling_shows_what_the_robot_loses_and_why() -> None:
    text = render_diff_text(diff_plans(HERON, WITHOUT_LIGHTS), width=90)
    assert (
        text
        == """\
reboot  boot settings change (because of bow-lights)
rewire  disconnect bow-lights.data from gpio10 (position 19) (because of bow-lights)

  item                   now                      after         because of

plugins
  bow-lights             0.3.1 spi                none          robot file

Python
  setuptools (to build)  80.9.0                   none          bow-lights
  spidev                 3.8, built on the board  none          bow-lights

Debian
  gcc                    4:14.2.0-1               none          bow-lights

lines and buses
  bow-lights.data        gpio10 (position 19)     none          bow-lights

boot
  dtparam=spi=on         parameter                none          bow-lights

power
  main-5v peak           1.68 A of 3 A            1.2 A of 3 A  bow-lights
  main-5v typical        900 mA                   780 mA        bow-lights

size
  on the card            43 MB                    42 MB         bow-lights
"""
    )


def test_enabling_is_the_mirror_of_disabling() -> None:
    gone = diff_plans(HERON, WITHOUT_LIGHTS).rows
    come = diff_plans(WITHOUT_LIGHTS, HERON).rows
    assert [(row.item, row.after, row.now) for row in gone] == [
        (row.item, row.now, row.after) for row in come
    ]


def test_a_version_that_moves_names_the_plugin_that_asks() -> None:
    """A new plugin wants an older numpy: it is the cause, not those that used numpy before."""
    lookout = instance("lookout")
    older = wheel("numpy", "1.26.4", wanted_by=("compass", "helm", "lookout"))
    new = replace(
        HERON,
        instances=(*HERON.instances, lookout),
        python=(older, *HERON.python[1:]),
    )
    assert rows(HERON, new, Domain.PYTHON) == [("numpy", "2.3.1", "1.26.4", ("lookout",))]


def test_a_version_that_moves_along_names_the_plugin_that_forced_it() -> None:
    """helm alone asks for filters; it moves since lookout holds what filters requires."""
    arrays = wheel("numpy", "2.3.1", wanted_by=("helm",))
    filters = wheel("filters", "5.0", wanted_by=("helm",), requires=("numpy",))
    apart = wheel("apart", "1.0", wanted_by=("helm",))
    old = replace(HERON, python=(apart, filters, arrays))
    lookout = instance("lookout")
    new = replace(
        old,
        instances=(*HERON.instances, lookout),
        python=(
            wheel("apart", "1.1", wanted_by=("helm",)),
            replace(filters, version="4.2"),
            wheel("numpy", "1.26.4", wanted_by=("helm", "lookout")),
        ),
    )
    assert rows(old, new, Domain.PYTHON) == [
        ("apart", "1.0", "1.1", ("the Python index",)),
        ("filters", "5.0", "4.2", ("lookout",)),
        ("numpy", "2.3.1", "1.26.4", ("lookout",)),
    ]


def test_a_version_that_moves_by_itself_is_the_indexs_doing() -> None:
    new = replace(
        HERON,
        python=(wheel("numpy", "2.4.0", wanted_by=("helm",)), *HERON.python[1:]),
        debian=(deb("espeak-ng", "1.53-1"), *HERON.debian[1:]),
    )
    assert rows(HERON, new, Domain.PYTHON) == [("numpy", "2.3.1", "2.4.0", ("the Python index",))]
    assert rows(HERON, new, Domain.DEBIAN) == [
        ("espeak-ng", "1.52.0+dfsg-5", "1.53-1", ("the Debian archive",))
    ]


def test_a_moved_line_names_who_took_its_place() -> None:
    old = replace(HERON, assignments=(signal("helm", "leak", "gpio17", "11"),))
    new = replace(
        HERON,
        instances=(*HERON.instances, instance("mast")),
        assignments=(
            signal("helm", "leak", "gpio27", "13"),
            signal("mast", "winch", "gpio17", "11"),
        ),
    )
    assert rows(old, new, Domain.LINES) == [
        ("helm.leak", "gpio17 (position 11)", "gpio27 (position 13)", ("mast",)),
        ("mast.winch", "none", "gpio17 (position 11)", ("mast",)),
    ]
    assert attention(old, new) == [
        "rewire: move helm.leak from gpio17 (position 11) to gpio27 (position 13)",
        "rewire: connect mast.winch to gpio17 (position 11)",
    ]


def test_a_line_moved_by_the_robot_file_alone_says_so() -> None:
    old = replace(HERON, assignments=(signal("helm", "leak", "gpio17", "11"),))
    new = replace(HERON, assignments=(signal("helm", "leak", "gpio27", "13"),))
    assert rows(old, new, Domain.LINES)[0][3] == ("robot file",)


def test_another_board_is_the_cause_of_what_it_moves() -> None:
    old = replace(HERON, assignments=(signal("helm", "leak", "gpio17", "11"),))
    new = replace(
        old,
        board=type(old.board)("raspberrypi,3-model-b"),
        assignments=(signal("helm", "leak", "gpio27", "13"),),
    )
    assert rows(old, new, Domain.LINES)[0][3] == ("the board",)
    assert "person: another board: check every wire against the wiring sheet" in attention(old, new)


def test_one_cause_of_all_is_told_once() -> None:
    """Another board moves all lines at once; of a few, each says what moved it."""
    board = type(HERON.board)("raspberrypi,3-model-b")
    for moved in (1, 9):
        lines = [f"gpio{4 + one}" for one in range(moved + 1)]
        old, new = (
            replace(
                HERON,
                board=at,
                assignments=tuple(
                    signal("helm", f"leak-{name}", line, "11") for name, line in enumerate(side)
                ),
            )
            for at, side in ((HERON.board, lines[:-1]), (board, lines[1:]))
        )
        text = render_diff_text(diff_plans(old, new), width=200)
        assert text.startswith("all of this because of the board\n\n") == (moved == 9)
        assert (text.count("the board") == 1) == (moved == 9)
        assert ("because of\n" in text) == (moved == 1)
        assert "another board: check every wire" in text


def test_settings_and_variants_of_a_plugin_are_shown() -> None:
    lights = replace(
        HERON.instances[0], variant=VariantName("pwm"), settings={"leds": 12, "name": "bow"}
    )
    new = replace(HERON, instances=(lights, *HERON.instances[1:]))
    assert rows(HERON, new, Domain.PLUGINS) == [
        ("bow-lights", "spi, leds: 8", "pwm, leds: 12", ("robot file",))
    ]


def test_another_provider_is_shown() -> None:
    new = replace(HERON, providers={**HERON.providers, "alarm-sound": InstanceName("helm")})  # type: ignore[dict-item]
    assert rows(HERON, new, Domain.PLUGINS) == [
        ("alarm-sound", "from spoken-alarm", "from helm", ("robot file",))
    ]


def test_secrets_groups_and_hazards_need_a_person() -> None:
    found = attention(replace(HERON, hazards={}, machine=type(HERON.machine)()), HERON)
    assert "person: give SHORE_TOKEN a value; it is never planned or locked" in found
    assert "person: log in anew after joining the group gpio" in found
    assert any(one.startswith("person: motion: parts move by themselves") for one in found)


def test_a_crowd_of_packages_is_one_row_in_text_and_whole_in_json() -> None:
    crowd = tuple(deb(f"lib{at}x", "1.0-1", direct=False) for at in range(8))
    new = replace(HERON, debian=(*HERON.debian, *crowd))
    old = replace(HERON, instances=tuple(replace(one, version="0.3.0") for one in HERON.instances))
    text = render_diff_text(diff_plans(old, new), width=90)
    assert "8 packages that these need" in text
    assert "lib0x" not in text
    moved = MovedFindings(new=(), gone=())
    found = json.loads(render_diff_json(diff_plans(old, new), moved, ok=True))["changes"]
    assert sum(row["domain"] == "Debian" for row in found) == 8


def test_json_says_null_where_a_side_has_nothing() -> None:
    found = diff_object(diff_plans(HERON, WITHOUT_LIGHTS))
    assert isinstance(found["changes"], list)
    assert found["changes"][0] == {
        "domain": "plugins", "item": "bow-lights", "now": "0.3.1 spi", "after": None,
        "because_of": ["robot file"], "direct": True,
    }  # fmt: skip
    assert found["reboot"] is True
    assert found["rewire"] is True


@given(plans(), plans())
@settings(max_examples=25, deadline=None)
def test_every_row_differs_has_a_cause_and_fits(old: Plan, new: Plan) -> None:
    diff = diff_plans(old, new)
    for row in diff.rows:
        assert isinstance(row, DiffRow)
        assert row.now != row.after
        assert row.because_of
    text = render_diff_text(diff, width=72)
    assert all(line == line.rstrip() for line in text.split("\n"))
    assert not any(ord(one) < 0x20 for one in text.replace("\n", ""))


def test_narrow_terminals_wrap_and_lose_nothing() -> None:
    text = render_diff_text(diff_plans(None, HERON), width=60)
    assert max(len(line) for line in text.split("\n")) <= 60
    for word in ("espeak-ng", "1.52.0+dfsg-5"):
        assert word in text
    # names that have no space are kept whole while another column can wrap between words
    assert "\n  dtparam=i2c_arm=on  " in text
    assert "\n  libespeak-ng1       none  1.52.0+dfsg-5" in text


def test_a_swap_of_wires_at_the_same_positions_is_said_in_words() -> None:
    """ "Move it from A to A" tells nobody what to do."""
    one = Assignment(
        instance=InstanceName("modem"),
        claim=ClaimName("data"),
        section="uart",
        resource=ResourceName("uart3"),
        lines=(
            LineUse(signal="tx", line=LineName("gpio4"), position=PinId("7")),
            LineUse(signal="rx", line=LineName("gpio5"), position=PinId("29")),
        ),
    )
    tx, rx = one.lines
    other = replace(one, lines=(replace(tx, signal="rx"), replace(rx, signal="tx")))
    old = replace(HERON, assignments=(one,))
    new = replace(HERON, assignments=(other,))
    text = render_diff_text(diff_plans(old, new), width=100)
    assert (
        "rewire  change wires of modem.data at uart3 (positions 7, 29): rx to 7, tx to 29"
        in text.replace("\n        ", " ")
    )


def test_markdown_shows_hostile_text_literally() -> None:
    evil = "<script>x</script> | [a](http://e.example) `b` **c** @me #1"
    new = replace(
        HERON,
        boot=(*HERON.boot, BootSetting(kind="parameter", text=evil, because_of=names("helm"))),
    )
    html = (
        MarkdownIt("commonmark")
        .enable("table")
        .render(render_diff_markdown(diff_plans(HERON, new)))
    )
    assert "<script>" not in html
    assert "<a " not in html
    assert "<code>" not in html
    assert "<em>" not in html
    assert html.count("<td>") == 4


def test_attention_without_a_cause_names_none() -> None:
    diff = PlanDiff(
        robot="heron",
        rows=(),
        attention=(Attention(kind=Kind.PERSON, text="look at it", because_of=()),),
    )
    assert render_diff_text(diff) == "person  look at it\n"
    assert render_diff_markdown(diff) == "- **person** look at it\n"


def test_a_resource_that_is_called_none_is_not_nothing() -> None:
    old = replace(HERON, assignments=(signal("helm", "leak", "none", "11"),))
    found = diff_plans(old, replace(HERON, assignments=())).rows
    assert [(row.now, row.after) for row in found] == [("none (position 11)", None)]
    bare = replace(old.assignments[0], lines=())
    found = diff_plans(replace(HERON, assignments=(bare,)), replace(HERON, assignments=())).rows
    assert [(row.now, row.after) for row in found] == [("none", None)]
