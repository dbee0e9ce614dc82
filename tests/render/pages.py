"""Reads a page strictly: what is no well-formed page of ours raises."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"br", "hr", "input", "link", "meta"}


@dataclass
class Page:
    """
    What a browser sees.

    `skeleton` holds each tag with the names of its attributes, in order, ends included; `texts`
    the text of elements, `values` of attributes; `islands` the content of scripts by their id.
    """

    skeleton: list[tuple[str, ...]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    attributes: list[tuple[str, str, str]] = field(default_factory=list)
    raw: dict[str, str] = field(default_factory=dict)

    def values(self, name: str) -> list[str]:
        return [value for _, key, value in self.attributes if key == name]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.page = Page()
        self.open: list[str] = []
        self.inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.page.skeleton.append((tag, *(name for name, _ in attrs)))
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> says an attribute twice: {names}"
        self.page.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)
        if tag in {"script", "style"}:
            self.inside = dict(attrs).get("id") or tag
            assert self.inside not in self.page.raw
            self.page.raw[self.inside] = ""

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag
        self.page.skeleton.append((f"/{tag}",))
        self.inside = ""

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert "svg" in self.open, f"<{tag}/> is no HTML outside of SVG"
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_data(self, data: str) -> None:
        if self.inside:
            self.page.raw[self.inside] += data
        else:
            self.page.texts.append(data)

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"a comment: {data!r}")

    def handle_decl(self, decl: str) -> None:
        assert decl == "doctype html"
        assert not self.page.skeleton

    def handle_pi(self, data: str) -> None:
        raise AssertionError(f"a processing instruction: {data!r}")

    def unknown_decl(self, data: str) -> None:
        raise AssertionError(f"a declaration: {data!r}")


def page_of(html: str) -> Page:
    """Return what *html* is, every element closed in its turn."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert reader.open == []
    return reader.page
