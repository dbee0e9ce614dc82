"""Programs of this machine that are started, and where they are looked for."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping


def find_program(name: str, environ: Mapping[str, str] | None = None) -> str | None:
    """
    Return the whole path of the program *name*; None where the search path has none.

    Entries of PATH that do not begin at the root (``.``, ``bin``, an empty one) are passed over:
    they mean the folder that is worked in, which may have come from a stranger.
    """
    path = search_path(os.environ if environ is None else environ)
    return shutil.which(name, path=path) if path else None


def search_path(environ: Mapping[str, str]) -> str:
    """Return PATH, or the system's own where it is not set, with whole paths alone."""
    folders = environ.get("PATH", os.defpath).split(os.pathsep)
    return os.pathsep.join(one for one in folders if one.startswith(os.sep))
