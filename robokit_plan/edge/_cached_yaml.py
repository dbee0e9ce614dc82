"""Data files of the package, parsed once per content: YAML is slow on a small board."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import Any

from .ordinary import read_bytes

_MOST = 64_000_000
"""Bytes of what is kept of a data file."""

DATA = Path(__file__).resolve().parent.parent / "data"
CACHE_VARIABLE = "ROBOKIT_PLAN_CACHE"


def cache_folder() -> Path | None:
    """Return where this user's cache belongs; None where no such place is known."""
    override = os.environ.get(CACHE_VARIABLE)
    if override:
        return Path(override)
    try:
        from platformdirs import user_cache_path

        return user_cache_path("robokit-plan", appauthor=False)
    except (ImportError, OSError, RuntimeError):
        return None


def read_data_file(path: Path) -> dict[str, Any]:
    """
    Return the mapping in *path*, keys as strings.

    The parsed form is kept under the digest of the file's bytes, so an edited file is never
    answered from an older one. A cache that cannot be read or written only costs time.

    Raises:
        OSError: The package is broken: one of its own files is missing.
    """
    raw = path.read_bytes()
    digest = sha256(raw).hexdigest()
    folder = cache_folder()
    entry = None if folder is None else folder / "facts" / f"{digest}.json"
    if entry is not None:
        kept = _kept(entry, digest)
        if kept is not None:
            return kept
    text = json.dumps({"digest": digest, "data": _parsed(raw)}, separators=(",", ":"), default=str)
    if entry is not None:
        _keep(entry, text)
    data: dict[str, Any] = json.loads(text)["data"]
    return data


def _kept(entry: Path, digest: str) -> dict[str, Any] | None:
    """Return what an earlier run kept; None where it is absent or not what we wrote."""
    try:
        stored = json.loads(read_bytes(entry, _MOST))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(stored, dict) or stored.get("digest") != digest:
        return None
    data = stored.get("data")
    return data if isinstance(data, dict) else None


def _keep(entry: Path, text: str) -> None:
    """Write *text* so that a reader sees the whole of it or nothing."""
    draft = entry.with_name(f"{entry.name}.{os.getpid()}")
    with suppress(OSError):
        entry.parent.mkdir(parents=True, exist_ok=True)
        draft.write_text(text, encoding="utf-8")
        draft.replace(entry)


def _parsed(raw: bytes) -> Any:
    import yaml

    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    return yaml.load(raw, Loader=loader)  # noqa: S506  both loaders are safe ones
