"""Findings in every form: whole messages, in one order, with nothing of strangers alive in them."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any
from urllib.parse import unquote, unquote_to_bytes

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from robokit_plan.model import Allowed, Finding, Origin, Place, Severity, finding
from robokit_plan.render import (
    plain,
    render_allowed_text,
    render_check_json,
    render_findings_annotations,
    render_findings_gnu,
    render_findings_json,
    render_findings_markdown,
    render_findings_sarif,
    render_findings_text,
    render_lint_verdict,
    render_verdict,
)
from tests.render.plans import HERON

COLLISION = finding(
    "pin-collision",
    Severity.ERROR,
    "gpio17 is claimed twice",
    places=[
        Place(
            origin=Origin(file="plugins/mast/manifest.yaml", line=12, column=7),
            label="mast.winch as output",
        ),
        Place(
            origin=Origin(file="plugins/leak-guard/manifest.yaml", line=31, column=7),
            label="leak-guard.leak as input",
        ),
    ],
    why="one pin carries one function at a time (header position 11)",
    repair="wiring: {mast.winch: gpio22}, or gpio23 or gpio27; or disable one of the two",
    plugins=["mast", "leak-guard"],
    resource="gpio17",
)
OLD_FILE = finding(
    "stale-release", Severity.WARNING, "numpy is old", places=[Origin(file="robot.yaml")]
)
LEFT_OUT = finding(
    "claim-left-out",
    Severity.NOTE,
    "sonar.lamp is left out",
    places=[Origin(file="plugins/sonar/manifest.yaml", line=3, column=1)],
)
ALL = (LEFT_OUT, OLD_FILE, COLLISION)

EVIL = "x\x1b[31m\r\n::error::y | <b>z</b> \u202e%0A `c` [l](http://e.example)"


def evil(text: str = EVIL) -> Finding:
    return finding(
        "pin-collision",
        Severity.ERROR,
        text,
        places=[Place(origin=Origin(file=f"a {text}/m.yaml", line=1, column=2), label=text)],
        why=text,
        repair=text,
    )


def test_blocks_are_the_gravest_first_and_notes_fold_into_a_count() -> None:
    """The first block is the example of our style page, section 6, to the letter."""
    assert (
        render_findings_text(ALL)
        == """\
error pin-collision: gpio17 is claimed twice
  at   plugins/leak-guard/manifest.yaml:31:7   leak-guard.leak as input
  at   plugins/mast/manifest.yaml:12:7         mast.winch as output
  why  one pin carries one function at a time (header position 11)
  fix  wiring: {mast.winch: gpio22}, or gpio23 or gpio27; or disable one of the two

warning stale-release: numpy is old
  at   robot.yaml
  fix  not known

1 note more, shown with --notes
"""
    )


def test_notes_are_shown_when_asked_for() -> None:
    assert render_findings_text([LEFT_OUT], notes=True) == (
        "note claim-left-out: sonar.lamp is left out\n  at   plugins/sonar/manifest.yaml:3:1\n"
    )
    assert render_findings_text([]) == ""


def test_files_are_shown_from_where_the_reader_stands() -> None:
    assert "  at   raft/plugins/mast/manifest.yaml:12:7 " in render_findings_text(
        ALL, prefix="raft"
    )
    assert "  at   ../robot.yaml\n" in render_findings_text(ALL, prefix="../")
    absolute = finding(
        "x", Severity.ERROR, "m", places=[Origin(file="/srv/m.yaml", line=1, column=1)]
    )
    assert "  at   /srv/m.yaml:1:1\n" in render_findings_text([absolute], prefix="raft")


def test_the_order_and_repeats_of_findings_do_not_matter() -> None:
    assert render_findings_text(ALL) == render_findings_text((*reversed(ALL), *ALL))


def test_gnu_lines() -> None:
    """GNU Coding Standards, 4.4: sourcefile:lineno:column: message."""
    assert render_findings_gnu(ALL, prefix="raft") == (
        "raft/plugins/leak-guard/manifest.yaml:31:7: error: gpio17 is claimed twice [pin-collision]\n"
        "raft/robot.yaml: warning: numpy is old [stale-release]\n"
        "raft/plugins/sonar/manifest.yaml:3:1: note: sonar.lamp is left out [claim-left-out]\n"
    )


@pytest.mark.parametrize(
    ("findings", "verdict"),
    [
        ((), "heron can be built on raspberrypi,4-model-b with debian-13 arm64\n"),
        ((LEFT_OUT,), "heron can be built on raspberrypi,4-model-b with debian-13 arm64\n"),
        ((OLD_FILE,), "heron can be built on raspberrypi,4-model-b with debian-13 arm64; look at 1 warning first\n"),
        (ALL, "heron cannot be built on raspberrypi,4-model-b with debian-13 arm64: 1 error to mend first\n"),
    ],
)  # fmt: skip
def test_the_last_line_says_whether_it_can_be_built(
    findings: tuple[Finding, ...], verdict: str
) -> None:
    assert render_verdict(replace(HERON, findings=findings)) == verdict


def test_a_plan_with_unknown_levels_is_a_draft() -> None:
    """It is never called one that can be built; other errors come first."""
    line = next(str(use.line) for one in HERON.assignments if one.on_board for use in one.lines)
    unknown = finding(
        "level-unknown",
        Severity.ERROR,
        f"nobody knows the level of {line}",
        places=[Origin(file="robot.yaml")],
        resource=line,
    )
    verdict = render_verdict(replace(HERON, findings=(unknown,)))
    assert verdict == (
        f"heron is a draft until {line} is measured, on raspberrypi,4-model-b with debian-13 "
        "arm64\n"
    )
    softer = replace(unknown, severity=Severity.WARNING)
    assert render_verdict(replace(HERON, findings=(softer,))) == verdict
    assert "cannot be built" in render_verdict(replace(HERON, findings=(unknown, *ALL)))


def test_the_last_line_says_that_the_debian_part_is_missing() -> None:
    assert "its Debian part is not planned" in render_verdict(replace(HERON, debian_known=False))


def test_lint_counts_in_words() -> None:
    assert render_lint_verdict(ALL, 12) == "12 files read: 1 error, 1 warning and 1 note\n"
    assert render_lint_verdict((), 1) == "1 file read: nothing to mend\n"
    assert render_lint_verdict((), 1, allowed=2) == (
        "1 file read: nothing to mend; 2 allowed by a comment\n"
    )


ALLOWED = Allowed(
    finding=OLD_FILE, because="it is the last \x1b[1mthat runs", origin=Origin(file="robot.yaml")
)


def test_what_is_allowed_is_shown_with_its_reason() -> None:
    """In full as text and JSON, as a count in a review."""
    assert render_allowed_text([ALLOWED]) == (
        "allowed stale-release: numpy is old\n"
        "  at   robot.yaml\n"
        "  why  it is the last \\x1b[1mthat runs\n"
    )
    found = json.loads(render_findings_json([], allowed=[ALLOWED], prefix="raft"))
    assert found["ok"] is True
    (row,) = found["allowed"]
    assert (row["rule"], row["comment"]["file"]) == ("stale-release", "raft/robot.yaml")
    assert render_findings_markdown([], allowed=1) == (
        "No findings.\n\n1 finding allowed by a comment.\n"
    )


# --- JSON -----------------------------------------------------------------------------------------


def test_check_json_has_the_keys_of_the_design() -> None:
    """Design section 4; keys may be added, none renamed."""
    found = json.loads(render_check_json(replace(HERON, findings=ALL)))
    assert {
        "robot", "board", "ok", "findings", "python", "debian", "assignments", "boot", "machine", "power",
    } <= found.keys()  # fmt: skip
    assert found["ok"] is False
    assert found["findings"][0] == {
        "rule": "pin-collision",
        "severity": "error",
        "message": "gpio17 is claimed twice",
        "why": ["one pin carries one function at a time (header position 11)"],
        "repair": ["wiring: {mast.winch: gpio22}, or gpio23 or gpio27; or disable one of the two"],
        "plugins": ["leak-guard", "mast"],
        "resource": "gpio17",
        "places": [
            {"file": "plugins/leak-guard/manifest.yaml", "line": 31, "column": 7, "label": "leak-guard.leak as input"},
            {"file": "plugins/mast/manifest.yaml", "line": 12, "column": 7, "label": "mast.winch as output"},
        ],
    }  # fmt: skip
    assert {"name", "version", "for"} <= found["python"][0].keys()
    assert {"name", "version", "for"} <= found["debian"][0].keys()


def test_check_json_has_one_row_per_claim_and_line() -> None:
    rows = json.loads(render_check_json(HERON))["assignments"]
    keys = ("plugin", "claim", "resource", "line", "position")
    assert [tuple(row[key] for key in keys) for row in rows] == [
        ("bow-lights", "data", "gpio10", "gpio10", 19),
        ("compass", "imu", "i2c1 0x28", "gpio2", 3),
        ("compass", "imu", "i2c1 0x28", "gpio3", 5),
        ("spoken-alarm", "horn", "audio analog", None, None),
    ]


def test_findings_json_says_ok() -> None:
    assert json.loads(render_findings_json([OLD_FILE]))["ok"] is True
    assert json.loads(render_findings_json([COLLISION]))["ok"] is False


# --- strangers ------------------------------------------------------------------------------------


@given(st.text(max_size=30))
@settings(max_examples=50, deadline=None)
def test_no_text_reaches_a_terminal_alive(text: str) -> None:
    for shown in (
        render_findings_text([evil(text)]),
        render_findings_gnu([evil(text)]),
        render_findings_json([evil(text)]),
        render_findings_annotations([evil(text)]),
        render_findings_sarif([evil(text)], version="1"),
        render_findings_markdown([evil(text)]),
    ):
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", shown)


def test_plain_spells_out_what_a_terminal_obeys() -> None:
    assert plain("a\x1b[2J\r\n\t\u202eb\U000e0001é") == r"a\x1b[2J\r\n\t\u202eb\U000e0001é"


def test_a_finding_stays_in_its_block() -> None:
    assert len(render_findings_text([evil("x\nerror y: z")]).split("\n")) == 5


def test_no_text_starts_a_command_of_the_code_host() -> None:
    shown = render_findings_annotations([evil()], prefix="raft")
    assert [line[:8] for line in shown.split("\n") if line] == ["::error "]
    properties, _, body = shown.removeprefix("::error ").partition("::")
    assert properties.split(",")[0].startswith("file=raft/a x")
    assert ":" not in properties
    assert "%250A" in body


def test_annotations_carry_place_rule_and_repair() -> None:
    assert render_findings_annotations([COLLISION]) == (
        "::error file=plugins/leak-guard/manifest.yaml,line=31,col=7,title=pin-collision::"
        "gpio17 is claimed twice%0A"
        "one pin carries one function at a time (header position 11)%0A"
        "fix: wiring: {mast.winch: gpio22}, or gpio23 or gpio27; or disable one of the two\n"
    )
    assert render_findings_annotations([OLD_FILE]).startswith("::warning file=robot.yaml,title=")
    assert render_findings_annotations([LEFT_OUT]).startswith("::notice ")


@given(st.text(max_size=30) | st.just(EVIL))
@settings(max_examples=50, deadline=None)
def test_markdown_is_one_table_whatever_stands_in_it(text: str) -> None:
    """Rendered by another implementation of CommonMark, with the tables of GFM."""
    reader = MarkdownIt("commonmark", {"html": True}).enable("table")
    html = reader.render(render_findings_markdown([evil(text)]))
    tags = set(re.findall(r"<(/?[a-z0-9]+)[ >/]", html.replace("<br>", "")))
    assert {tag.removeprefix("/") for tag in tags} <= {
        "table", "thead", "tbody", "tr", "th", "td", "strong",
    }  # fmt: skip
    assert html.count("<td>") == 4


# --- SARIF ----------------------------------------------------------------------------------------


def sarif(*findings: Finding, prefix: str = "") -> Any:
    log = json.loads(render_findings_sarif(findings, version="0.1.0", prefix=prefix))
    assert log["version"] == "2.1.0"  # 3.13.2: the string "2.1.0"
    return log["runs"][0]


def test_sarif_result() -> None:
    """OASIS SARIF 2.1.0: 3.27 result, 3.28 location, 3.30 region, levels of 3.27.10."""
    run = sarif(*ALL, prefix="raft")
    assert [one["level"] for one in run["results"]] == ["error", "warning", "note"]
    assert run["results"][0] == {
        "ruleId": "pin-collision",
        "ruleIndex": 1,
        "level": "error",
        "message": {
            "text": "gpio17 is claimed twice\n"
            "one pin carries one function at a time (header position 11)\n"
            "fix: wiring: {mast.winch: gpio22}, or gpio23 or gpio27; or disable one of the two"
        },
        "locations": [
            {
                "physicalLocation": {
                    "artifactLocation": {"uri": "raft/plugins/leak-guard/manifest.yaml"},
                    "region": {"startLine": 31, "startColumn": 7},
                },
                "message": {"text": "leak-guard.leak as input"},
            }
        ],
        "relatedLocations": [
            {
                "id": 1,
                "physicalLocation": {
                    "artifactLocation": {"uri": "raft/plugins/mast/manifest.yaml"},
                    "region": {"startLine": 12, "startColumn": 7},
                },
                "message": {"text": "mast.winch as output"},
            }
        ],
        "suppressions": [],
    }


def test_sarif_rule_index_points_at_the_rule() -> None:
    """3.52.5: ruleIndex is the index in tool.driver.rules."""
    log = json.loads(
        render_findings_sarif(
            ALL, version="0.1.0", summaries={"pin-collision": "two claims, one line"}
        )
    )
    rules = log["runs"][0]["tool"]["driver"]["rules"]
    for result in log["runs"][0]["results"]:
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"]
    texts = {rule["id"]: rule["shortDescription"]["text"] for rule in rules}
    assert texts["pin-collision"] == "two claims, one line"


def test_a_whole_file_has_no_region() -> None:
    """3.30.5: startLine is at least 1."""
    (location,) = sarif(OLD_FILE)["results"][0]["locations"]
    assert location == {"physicalLocation": {"artifactLocation": {"uri": "robot.yaml"}}}


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20))
@settings(max_examples=30, deadline=None)
def test_sarif_addresses_are_uri_references(name: str) -> None:
    """RFC 3986, 4.1: only its characters; decoding gives the name back."""
    one = finding("x", Severity.ERROR, "m", places=[Origin(file=f"p/{name}", line=1, column=1)])
    (location,) = sarif(one)["results"][0]["locations"]
    uri = location["physicalLocation"]["artifactLocation"]["uri"]
    assert re.fullmatch(r"[A-Za-z0-9._~/%-]+", uri)
    assert unquote(uri) == f"p/{name}"


@pytest.mark.parametrize(("name", "raw"), [("\udcff", b"\xff"), ("\ud800", b"\xed\xa0\x80")])
def test_file_names_that_are_no_text_are_shown_too(name: str, raw: bytes) -> None:
    """PEP 383: a byte that is no UTF-8 arrives as a lone surrogate."""
    one = finding("x", Severity.ERROR, "m", places=[Origin(file=name, line=1, column=1)])
    (location,) = sarif(one)["results"][0]["locations"]
    assert unquote_to_bytes(location["physicalLocation"]["artifactLocation"]["uri"]) == raw
    render_findings_text([one]).encode()
