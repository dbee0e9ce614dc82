"""Rules about secrets: a plan, a lock file and a repository are read by many."""

from __future__ import annotations

import re
from collections.abc import Iterator

from robokit_plan.model import Finding, Manifest, Origin, Severity, finding, may_hold_secret

# Prefixes and shapes that issuers of tokens publish so that scanners can find them; each with
# words, one of which every hit holds (`SECRET_MARKS` has them all): a word is found far quicker.
_TOKENS = (
    ("a private key", ("-----BEGIN ",), re.compile(r"-----BEGIN [A-Z ]*PRIVATE KEY-----")),
    (
        "a token of a code host",
        ("ghp_", "gho_", "ghu_", "ghs_", "ghr_", "glpat-"),
        re.compile(r"\b(?:gh[pousr]_[A-Za-z0-9]{30,}|glpat-[\w-]{20,})"),
    ),
    ("an access key", ("AKIA", "ASIA"), re.compile(r"\b(?:AKIA|ASIA)[A-Z0-9]{16}\b")),
    (
        "an API key",
        ("sk-", "sk_", "rk-", "rk_", "pk-", "pk_"),
        re.compile(r"\b(?:sk|rk|pk)[-_](?:live|proj|test|ant)?[-_]?[A-Za-z0-9_-]{24,}"),
    ),
    ("a chat token", ("xox",), re.compile(r"\bxox[abprs]-[A-Za-z0-9-]{10,}")),
    ("an index token", ("pypi-",), re.compile(r"\bpypi-[A-Za-z0-9_-]{30,}")),
    (
        "a bearer token",
        ("Bearer", "bearer"),
        re.compile(r"\b[Bb]earer\s+[A-Za-z0-9._~+/-]{20,}"),
    ),
    (
        "a web token",
        ("eyJ",),
        re.compile(r"\beyJ[A-Za-z0-9_-]{10,}\.[A-Za-z0-9_-]{10,}\.[A-Za-z0-9_-]{5,}"),
    ),
)
_CREDENTIALS = re.compile(r"\b[a-z][a-z0-9+.-]{1,20}://([^/\s@:'\"]{1,200}):([^/\s@'\"]{1,200})@")
_REST = re.compile(r"[^\s\"'`,\]}>]*")
_ASSIGNED = re.compile(
    r"(?i)\b([a-z0-9_-]*(?:password|passwd|secret|token|api[-_]?key|access[-_]?key))"
    r"[\"']?\s*[:=]\s*[\"']?([A-Za-z0-9+/_.~-]{12,200}={0,2})"
)
_FILLERS = re.compile(r"(?i)^(?:x+|\.+|changeme|your[-_].*|example.*|placeholder.*|<.*)$")
_SECRET_NAME = re.compile(r"(?i)(?:password|passwd|secret|token|api_?key|access_?key|private_?key)")


def lint_text(text: str, file: str) -> Iterator[Finding]:
    """Yield a finding for each line of *text* that seems to hold a secret's value."""
    if not may_hold_secret(text):
        return
    for number, line in enumerate(text.splitlines(), 1):
        hit = _secret(line[:2000])
        if hit is None:
            continue
        what, column, repair = hit
        yield finding(
            "secret-plain",
            Severity.ERROR,
            f"this line seems to hold {what}",
            places=[Origin(file=file, line=number, column=column)],
            why="files of a robot are copied and published; a secret in one is spent",
            repair=repair,
        )


def _secret(line: str) -> tuple[str, int, list[str]] | None:
    variable = [
        "environment: [{name: NAME, secret: true, purpose: …}], and the value on the robot alone",
        "have the issuer replace it, since it may have been read",
    ]
    if found := _CREDENTIALS.search(line):
        if _is_filler(found[2]):
            return None
        host = _REST.match(line, found.end())
        clean = line[found.start() : found.start(1)] + (host.group() if host else "")
        return "a password in an address", found.start() + 1, [clean, variable[1]]
    for what, _, pattern in _TOKENS:
        if found := pattern.search(line):
            return what, found.start() + 1, variable
    if (found := _ASSIGNED.search(line)) and _looks_random(found[2]):
        return f"the value of {found[1]}", found.start(2) + 1, variable
    return None


def _is_filler(value: str) -> bool:
    return bool(_FILLERS.match(value)) or value.startswith(("$", "{", "%"))


def _looks_random(value: str) -> bool:
    """Whether *value* mixes letters and digits as a token does, and no word or version does."""
    if _is_filler(value) or len(value) < 16:
        return False
    digits = sum(char.isdigit() for char in value)
    letters = sum(char.isalpha() for char in value)
    return digits >= 3 and letters >= 3 and len(set(value)) >= 8 and "." not in value


def check_unmarked_secrets(manifest: Manifest) -> Iterator[Finding]:
    """A variable whose name says that it is a secret is marked as one."""
    for needs in (manifest.base, *(variant.needs for variant in manifest.variants)):
        for variable in needs.machine.environment:
            if _SECRET_NAME.search(variable.name) and not variable.secret:
                yield finding(
                    "secret-unmarked",
                    Severity.WARNING,
                    f"variable {variable.name} looks like a secret and is not marked as one",
                    places=[variable.origin],
                    why="only the value of a marked secret is kept out of plans and reports",
                    repair=f"{{name: {variable.name}, secret: true, purpose: …}}",
                    plugins=[manifest.plugin],
                )
