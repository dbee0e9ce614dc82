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
    path = (os.environ if environ is None else environ).get("PATH", os.defpath)
    folders = [one for one in path.split(os.pathsep) if one.startswith(os.sep)]
    return shutil.which(name, path=os.pathsep.join(folders)) if folders else None
