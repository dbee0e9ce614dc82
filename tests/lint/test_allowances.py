"""What comments allow, and what they cannot."""

from __future__ import annotations

import pytest

from robokit_plan.lint import RuleKind, settle
from robokit_plan.model import Finding, LineComment, Origin, RuleName, Severity, finding

RULES = {
    RuleName("license-invalid"): RuleKind(guess=False, alone=True),
    RuleName("secret-plain"): RuleKind(guess=True, alone=True),
    RuleName("rail-tight"): RuleKind(guess=False, alone=False),
    RuleName("allow-invalid"): RuleKind(guess=False, alone=True),
}


def made(rule: str, severity: Severity, *lines: int, file: str = "m") -> Finding:
    places = [Origin(file=file, line=line, column=1) for line in lines]
    return finding(rule, severity, f"{rule} {lines}", places=places)


def comment(text: str, line: int, *, heads: bool = False, file: str = "m") -> LineComment:
    return LineComment(
        text=text, origin=Origin(file=file, line=line, column=9), line=line, heads=heads
    )


def allow(*rules: str, line: int, heads: bool = False, file: str = "m") -> LineComment:
    return comment(f"allow {', '.join(rules)} because it was tried", line, heads=heads, file=file)


@pytest.mark.parametrize("severity", [Severity.WARNING, Severity.NOTE])
def test_a_warning_and_a_note_can_be_allowed(severity: Severity) -> None:
    one = made("license-invalid", severity, 3)
    stay, allowed = settle([one], [allow("license-invalid", line=3)], RULES)
    assert stay == ()
    assert [(one.finding, one.because, one.origin.column) for one in allowed] == [
        (one, "it was tried", 9)
    ]


def test_an_error_can_be_allowed_where_its_rule_guesses() -> None:
    guess, sure = made("secret-plain", Severity.ERROR, 3), made("rail-tight", Severity.ERROR, 3)
    stay, allowed = settle([guess, sure], [allow("secret-plain", "rail-tight", line=3)], RULES)
    assert [one.rule for one in stay] == ["rail-tight", "allow-refused"]
    assert [one.finding for one in allowed] == [guess]


def test_one_of_several_places_is_enough() -> None:
    one = made("rail-tight", Severity.WARNING, 3, 8)
    assert settle([one], [allow("rail-tight", line=8)], RULES)[0] == ()


def test_another_line_file_or_rule_is_not_allowed() -> None:
    one = made("license-invalid", Severity.NOTE, 3)
    others = [
        allow("license-invalid", line=4),
        allow("license-invalid", line=3, file="n"),
        allow("secret-plain", line=3),
    ]
    stay, allowed = settle([one], others, RULES)
    assert [one.rule for one in stay] == ["allow-unused"] * 3 + ["license-invalid"]
    assert allowed == ()


@pytest.mark.parametrize("line", [0, 1])
def test_what_is_said_of_a_whole_file_is_allowed_at_its_head(line: int) -> None:
    one = made("license-invalid", Severity.NOTE, line)
    assert settle([one], [allow("license-invalid", line=5, heads=True)], RULES)[0] == ()
    assert one in settle([one], [allow("license-invalid", line=5)], RULES)[0]


def test_a_head_speaks_of_the_first_line_and_no_further() -> None:
    one = made("license-invalid", Severity.NOTE, 2)
    assert one in settle([one], [allow("license-invalid", line=5, heads=True)], RULES)[0]


@pytest.mark.parametrize(
    ("name", "repair"),
    [
        ("licence-invalid", "# robokit-plan: allow license-invalid because it was tried"),
        ("wholly-strange", "robokit-plan rules   lists them all"),
    ],
)
def test_a_rule_that_is_none_is_told_with_the_nearest(name: str, repair: str) -> None:
    (one,), _ = settle([], [allow(name, line=3)], RULES)
    assert (one.rule, one.message) == ("allow-invalid", f"no rule is called {name}")
    assert one.repair == (repair,)


def test_only_the_rule_is_respelt_and_not_the_reason() -> None:
    text = "allow licence-invalid because licence-invalid is wrong"
    (one,), _ = settle([], [comment(text, 3)], RULES)
    assert one.repair == ("# robokit-plan: allow license-invalid because licence-invalid is wrong",)


def test_a_comment_on_a_robots_finding_is_idle_only_where_robots_were_read() -> None:
    idle = [allow("rail-tight", line=3), allow("license-invalid", line=4)]
    assert len(settle([], idle, RULES)[0]) == 2
    (only,) = settle([], idle, RULES, robots=False)[0]
    assert only.places[0].origin.line == 4


def test_comments_of_files_that_were_not_looked_at_allow_and_are_not_judged() -> None:
    one = made("rail-tight", Severity.WARNING, 3)
    others = [allow("rail-tight", line=3), allow("rail-tight", line=9), comment("ignore", 9)]
    assert settle([one], [], RULES, elsewhere=others)[0] == ()


def test_findings_about_comments_cannot_be_allowed() -> None:
    """What is wrong with a comment is told after comments have spoken."""
    both = [comment("ignore", 3), allow("allow-invalid", line=3)]
    stay, _ = settle([], both, RULES)
    assert sorted(one.rule for one in stay) == ["allow-invalid", "allow-unused"]
