"""HTML that cannot be broken out of: text is escaped where it becomes HTML, and nowhere else."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from html import escape

from ._plain import plain

_VOID = frozenset({"br", "hr", "input", "link", "meta"})
# HTML, 13.1.2 "Elements": these have no end tag.
_PLAIN_ID = re.compile(r"[^A-Za-z0-9_-]")


class Html(str):
    """Markup of ours; any other string is text."""

    __slots__ = ()


Child = str | None | Iterable["Child"]
"""`Html` as it is, other strings as text, None left out, iterables flattened."""
Value = str | int | bool | None


def el(tag: str, *children: Child, **attributes: Value) -> Html:
    """
    Return one element.

    Args:
        tag: Its name.
        children: `Html` goes in as it is, other strings as text, None not at all.
        attributes: ``class_`` and ``aria_label`` mean ``class`` and ``aria-label``; True is an
            attribute without a value, None and False leave it out.
    """
    head = tag + "".join(_attribute(name, value) for name, value in attributes.items())
    if tag in _VOID:
        return Html(f"<{head}>")
    return Html(f"<{head}>{join(children)}</{tag}>")


def join(children: Iterable[Child], between: str = "") -> Html:
    """Return *children* one after the other, with *between* as text between them."""
    parts = []
    for one in children:
        if one is None:
            continue
        if isinstance(one, str):
            parts.append(one if isinstance(one, Html) else text(one))
        else:
            parts.append(join(one))
    return Html(text(between).join(parts))


def text(raw: str) -> Html:
    """Return *raw* as text of an element or of a quoted attribute, control characters spelled."""
    return Html(escape(plain(raw), quote=True))


def _attribute(name: str, value: Value) -> str:
    if value is None or value is False:
        return ""
    name = name.removesuffix("_").replace("_", "-")
    if value is True:
        return f" {name}"
    return f' {name}="{text(str(value))}"'


def anchor(kind: str, name: str) -> str:
    """
    Return an id that is also a fragment, another one for every *name*.

    >>> anchor("plugin", "nav-lights"), anchor("plugin", "a b")
    ('plugin-nav-lights', 'plugin-a.20.b')
    """
    return f"{kind}-{_PLAIN_ID.sub(lambda found: f'.{ord(found[0]):x}.', name)}"


def link(kind: str, name: str) -> Html:
    """Return a link to what `anchor` names, bearing the same name."""
    return el("a", name, href=f"#{anchor(kind, name)}")


def island(name: str, content: object) -> Html:
    """
    Return *content* as JSON data that no browser runs and that nothing inside can end.

    Source:
        HTML, 4.12.1.3 "Restrictions for contents of script elements"; the escapes are JSON's own
        (RFC 8259, section 7).
    """
    raw = json.dumps(content, ensure_ascii=True, separators=(",", ":"))
    for one in "<>&":
        raw = raw.replace(one, f"\\u{ord(one):04x}")
    return Html(f'<script type="application/json" id="{text(name)}">{raw}</script>')
