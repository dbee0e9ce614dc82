"""A pattern that is compiled late answers as the library's does (re, the standard library's own)."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robokit_plan.model import late_pattern

WORD = r"\b[a-c]+\b"


@given(text=st.text("abcABC -", max_size=12), flags=st.sampled_from([0, re.ASCII | re.IGNORECASE]))
def test_every_way_of_asking_gives_what_the_library_gives(text: str, flags: int) -> None:
    late, soon = late_pattern(WORD, flags), re.compile(WORD, flags)
    for _ in range(2):  # the first answer compiles, the second does not
        assert _span(late.match(text)) == _span(soon.match(text))
        assert _span(late.search(text)) == _span(soon.search(text))
        assert _span(late.fullmatch(text)) == _span(soon.fullmatch(text))
        assert late.sub("-", text) == soon.sub("-", text)
        assert late.findall(text) == soon.findall(text)
        assert late.split(text) == soon.split(text)
    assert (late.pattern, late.flags) == (soon.pattern, soon.flags)


def test_nothing_is_compiled_before_somebody_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    compiled = re.compile

    def noted(*arguments: Any) -> re.Pattern[str]:
        asked.append(arguments)
        return compiled(*arguments)

    monkeypatch.setattr(re, "compile", noted)
    late = late_pattern("(")
    assert asked == []
    with pytest.raises(re.error):
        late.match("")
    late = late_pattern("a")
    assert late.match("a")
    assert late.match("a")
    assert asked == [("(", 0), ("a", 0)]


def _span(found: re.Match[str] | None) -> tuple[int, int] | None:
    return found and found.span()
