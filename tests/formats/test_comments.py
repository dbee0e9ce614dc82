"""Comments that speak to lint: where they stand, and of which line they speak."""

from __future__ import annotations

import textwrap

import pytest

from robokit_plan.formats.comments import python_comments, yaml_comments
from robokit_plan.model import LineComment, Origin


def told(comments: tuple[LineComment, ...]) -> list[tuple[str, str, int, bool]]:
    return [(str(one.origin), one.text, one.line, one.heads) for one in comments]


def test_a_comment_speaks_of_its_line_or_of_the_next() -> None:
    text = textwrap.dedent("""\
        # $schema
        # robokit-plan: of the first line

        format: 1
        a: b   # robokit-plan: of its own line
        # robokit-plan: of the line below
        # not for lint

        c: d
        # robokit-plan: of nothing
    """)
    assert told(yaml_comments(text, "m")) == [
        ("m:2:1", "of the first line", 4, True),
        ("m:5:8", "of its own line", 5, False),
        ("m:6:1", "of the line below", 9, False),
        ("m:10:1", "of nothing", 10, False),
    ]


@pytest.mark.parametrize(
    "text",
    [
        'a: "x # robokit-plan: y"\n',
        "a: 'x # robokit-plan: y'\n",
        "a: |\n  x\n  # robokit-plan: y\n",
        "a: >\n  x # robokit-plan: y\n",
        "a: x# robokit-plan: y\n",
        '? "k # robokit-plan: y"\n: b\n',
        "a: [  # robokit-plan: y\n",
    ],
)
def test_text_is_no_comment(text: str) -> None:
    """YAML 1.2.2, 6.6: a comment begins with # after white space, outside of scalars."""
    assert yaml_comments(text, "m") == ()


def test_a_comment_after_a_block_of_text_is_one() -> None:
    text = "a: |\n  x\n# robokit-plan: y\nb: c\n"
    assert told(yaml_comments(text, "m")) == [("m:3:1", "y", 4, False)]
    assert told(yaml_comments(text.replace("\n", "\r\n"), "m")) == [("m:3:1", "y", 4, False)]


def test_python_has_comments_too() -> None:
    text = 'x = "# robokit-plan: no"\nimport serial  # robokit-plan: yes\n'
    assert told(python_comments(text, "p.py")) == [("p.py:2:16", "yes", 2, False)]
    assert python_comments("x = '''# robokit-plan: y", "p.py") == ()


def test_a_file_that_does_not_mention_lint_is_not_parsed() -> None:
    assert yaml_comments("a: [", "m") == ()
    assert told(yaml_comments("a: b # robokit-plan: c", "m")) == [
        (str(Origin(file="m", line=1, column=6)), "c", 1, True)
    ]
