"""Rules about what a plugin asks of Python, of Debian and of other plugins."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator
from functools import lru_cache

from packaging.requirements import InvalidRequirement, Requirement
from packaging.specifiers import InvalidSpecifier, SpecifierSet
from packaging.utils import canonicalize_name

from robokit_plan.model import Finding, Manifest, Needs, Severity, Text, finding, mended_requirement


def _parts(manifest: Manifest) -> Iterator[Needs]:
    yield manifest.base
    for variant in manifest.variants:
        yield variant.needs


def check_requires_python(manifest: Manifest) -> Iterator[Finding]:
    """``requires-python`` is a version specifier (PEP 440)."""
    for needs in _parts(manifest):
        text = needs.python.requires_python
        if text is None:
            continue
        try:
            SpecifierSet(text.text)
        except InvalidSpecifier:
            number = re.search(r"3\.[0-9]+", text.text)
            yield finding(
                "requirement-invalid",
                Severity.ERROR,
                f"requires-python {text.text!r} is no version specifier",
                places=[text.origin],
                why='specifiers compare, as in ">=3.11" (PEP 440)',
                repair=f'requires-python: ">={number.group() if number else "3.11"}"',
                plugins=[manifest.plugin],
            )


def check_python_requirements(manifest: Manifest) -> Iterator[Finding]:
    """Requirements follow PEP 508 and end somewhere."""
    for needs in _parts(manifest):
        for text in needs.python.requires:
            requirement = _requirement(text)
            if requirement is None:
                yield _invalid(manifest, text, "a Python requirement", "numpy>=1.24,<3")
            elif requirement.url is None and _is_unbounded(requirement):
                yield _unbounded(manifest, text, requirement)
            elif (only := _only_version(requirement)) is not None:
                yield _tight(manifest, text, requirement, only)


def check_plugin_requirements(manifest: Manifest) -> Iterator[Finding]:
    """Plugins are asked for by name and version, and never the plugin itself."""
    for text in manifest.plugins:
        requirement = _requirement(text)
        if requirement is None or requirement.url or requirement.extras or requirement.marker:
            yield _invalid(manifest, text, "a plugin with its versions", "helm>=0.4,<1")
        elif requirement.name == manifest.plugin:
            yield finding(
                "needs-itself",
                Severity.ERROR,
                f"{manifest.plugin} asks for itself",
                places=[text.origin],
                why="plugins names others, and no other plugin can meet it",
                repair=f"remove {text.text} from plugins",
                plugins=[manifest.plugin],
            )


def _requirement(text: Text) -> Requirement | None:
    return find_requirement(text.text)


@lru_cache(maxsize=4096)
def find_requirement(text: str) -> Requirement | None:
    """
    Return what *text* asks Python's indices for (PEP 508); None where it is no requirement.

    Several rules look at each, and plugins of one library ask for the same; not to be changed.
    """
    try:
        return Requirement(text)
    except InvalidRequirement:
        return None


def _invalid(manifest: Manifest, text: Text, what: str, example: str) -> Finding:
    meant = mended_requirement(text.text)
    return finding(
        "requirement-invalid",
        Severity.ERROR,
        f"{text.text!r} is not {what}",
        places=[text.origin],
        why=f"name, then versions, as in {example!r}",
        repair=f'"{meant or example}"',
        plugins=[manifest.plugin],
    )


def _is_unbounded(requirement: Requirement) -> bool:
    return not any(one.operator in {"<", "<=", "==", "===", "~="} for one in requirement.specifier)


def _unbounded(manifest: Manifest, text: Text, requirement: Requirement) -> Finding:
    floor = next((one.version for one in requirement.specifier if one.operator == ">="), None)
    bounded = ""
    if floor and re.match(r"[0-9]+", floor):
        major = int(re.match(r"[0-9]+", floor).group())  # type: ignore[union-attr]
        bounded = f'"{requirement.name}>={floor},<{major + 1}"'
    return finding(
        "requirement-unbounded",
        Severity.NOTE,
        f"{text.text!r} accepts every later version of {requirement.name}",
        places=[text.origin],
        why="a later major version may change what the code calls",
        repair=bounded or f'"{requirement.name}>=OLDEST,<NEXT-MAJOR"',
        plugins=[manifest.plugin],
    )


def _only_version(requirement: Requirement) -> str | None:
    """Return the one version that *requirement* accepts; None where it accepts more."""
    for one in requirement.specifier:
        if one.operator == "===" or (one.operator == "==" and not one.version.endswith(".*")):
            return one.version
    return None


def _tight(manifest: Manifest, text: Text, requirement: Requirement, version: str) -> Finding:
    major = re.match(r"[0-9]+", version)
    repair = f"{requirement.name}>={version},<{int(major.group()) + 1}" if major else ""
    return finding(
        "requirement-tight",
        Severity.NOTE,
        f"{text.text!r} accepts one version of {requirement.name}",
        places=[text.origin],
        why="a plugin that asks for another one cannot be enabled beside it; the lock file keeps "
        "what was chosen",
        repair=f'"{repair}"' if repair else f'"{requirement.name}>=OLDEST,<NEXT-MAJOR"',
        plugins=[manifest.plugin],
    )


def check_repeated_requirements(manifest: Manifest) -> Iterator[Finding]:
    """One distribution is asked for once, unless markers tell the lines apart."""
    base = manifest.base
    groups = [(base, base.python.requires)]
    groups += [
        (one.needs, base.python.requires + one.needs.python.requires) for one in manifest.variants
    ]
    for needs, texts in groups:
        seen: dict[tuple[str, str], list[Text]] = defaultdict(list)
        for text in texts:
            requirement = _requirement(text)
            if requirement is not None:
                marker = str(requirement.marker or "")
                seen[canonicalize_name(requirement.name), marker].append(text)
        for (name, _), alike in sorted(seen.items()):
            own = set(needs.python.requires)
            if len(alike) < 2 or not any(text in own for text in alike):
                continue
            yield finding(
                "requirement-twice",
                Severity.WARNING,
                f"{name} is asked for {len(alike)} times",
                places=[text.origin for text in alike],
                why="all of them hold together, and a reader sees only one",
                repair=f'one line for {name}, such as "{alike[0].text}"',
                plugins=[manifest.plugin],
            )


# Debian Policy 7.1 (syntax of relationship fields), 5.6.1 (names), 5.6.12 (versions).
_DEBIAN = re.compile(
    r"\s*[a-z0-9][a-z0-9+.-]+(?::(?:any|native|[a-z0-9-]+))?"
    r"(?:\s*\(\s*(?:<<|<=|=|>=|>>)\s*(?:[0-9]+:)?[0-9A-Za-z][0-9A-Za-z.+~:-]*\s*\))?"
    r"(?:\s*\[\s*!?[a-z0-9-]+(?:\s+!?[a-z0-9-]+)*\s*\])?"
    r"(?:\s*<\s*!?[a-z0-9.+-]+(?:\s+!?[a-z0-9.+-]+)*\s*>)*\s*\Z"
)


def check_debian(manifest: Manifest) -> Iterator[Finding]:
    """Debian packages are relations as in Debian Policy 7.1, one an item."""
    for needs in _parts(manifest):
        seen: dict[str, list[Text]] = defaultdict(list)
        for text in needs.debian:
            seen[text.text.strip()].append(text)
            wrong = [one for one in text.text.split("|") if not _DEBIAN.match(one)]
            if wrong:
                yield _debian_invalid(manifest, text, wrong[0].strip())
        for word, alike in sorted(seen.items()):
            if len(alike) > 1:
                yield finding(
                    "listed-twice",
                    Severity.NOTE,
                    f"{word} stands {len(alike)} times in packages",
                    places=[text.origin for text in alike],
                    repair=f"keep one {word}",
                    plugins=[manifest.plugin],
                )


def _debian_invalid(manifest: Manifest, text: Text, part: str) -> Finding:
    why = 'name, then a version in brackets, as in "python3-libcamera (>= 0.3)"'
    repair = '"NAME (>= VERSION)"'
    if "," in text.text:
        items = [one.strip() for one in text.text.split(",") if one.strip()]
        why = "a comma parts items, and each stands in quotes of its own"
        repair = ", ".join(f'"{one}"' for one in items)
    elif old := re.search(r"\(\s*([<>])\s*([0-9][^)]*)\)", part):
        why = (
            f"a lone {old[1]} was once read as {old[1]}=; Debian writes {old[1]}{old[1]} for "
            f"strictly {'later' if old[1] == '>' else 'earlier'}"
        )
        repair = f'"{part.replace(old[0], f"({old[1]}= {old[2].strip()})")}"'
    elif pip := re.fullmatch(r"([a-z0-9][a-z0-9+.-]+)\s*(>=|<=|==)\s*([0-9A-Za-z.:~+-]+)", part):
        why = "this is how Python writes it; Debian puts the version in brackets"
        repair = f'"{pip[1]} ({"=" if pip[2] == "==" else pip[2]} {pip[3]})"'
    elif part != part.lower() and _DEBIAN.match(part.lower()):
        why = "names of Debian packages have small letters only (Debian Policy 5.6.1)"
        repair = f'"{part.lower()}"'
    elif "$" in part:
        why = "variables are filled in when a package is built, and nothing is built here"
    return finding(
        "debian-syntax-wrong",
        Severity.ERROR,
        f"{text.text!r} is not a package relation",
        places=[text.origin],
        why=why,
        repair=repair,
        plugins=[manifest.plugin],
    )
