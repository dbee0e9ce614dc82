"""
Metadata of an sdist by the build that its author wrote: only for who asked for it.

This runs code of strangers with the rights of the user, as installing the sdist would. So it
is never part of checking, only of ``lock --build-metadata``.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from robokit_plan.model import DistributionMetadata, IndexFile, limit_text, replace, span_text

from ._metadata import (
    MetadataInvalid,
    MetadataUnusable,
    check_name,
    check_requirements,
    extra_names,
    unknown,
)
from ._pip_config import normal_name
from ._programs import search_path
from ._sdist import MAX_DOWNLOAD, metadata_of, read_files, sdist_name
from ._words import one_line

if TYPE_CHECKING:
    from ._transport import Client

_TIMEOUT_S = 1200
_PASSED_ON = (
    "PATH",
    "HOME",
    "LANG",
    "TMPDIR",
    "NETRC",
    "SSL_CERT_FILE",
    "SSL_CERT_DIR",
    "REQUESTS_CA_BUNDLE",
    "CURL_CA_BUNDLE",
    "CC",
    "CXX",
    "CFLAGS",
    "LDFLAGS",
    "PKG_CONFIG_PATH",
)
"""A build needs no more of the user's environment; tokens that lie there are not its business."""


def built_metadata(
    client: Client, file: IndexFile, environ: Mapping[str, str], python: str = sys.executable
) -> DistributionMetadata:
    """
    Return what the build of the sdist *file* says, made by pip in an environment of its own.

    pip makes that environment, installs the build requirements into it and calls
    ``prepare_metadata_for_build_wheel``, or builds a wheel where the back end lacks it (PEP 517).
    What a build says may depend on the machine; it is made on this one, not on the robot.

    Raises:
        IndexUnreachable, HashMismatch, FileGone: As `sdist_metadata`.
    """
    from ._transport import TooLarge
    from ._wheel_range import downloaded

    name, version = normal_name(file.filename.rpartition("-")[0]), ""
    try:
        name, version = sdist_name(file.filename)
        with (
            downloaded(client, file, MAX_DOWNLOAD) as archive,
            tempfile.TemporaryDirectory(prefix="robokit-plan-") as folder,
        ):
            own = metadata_of(read_files(archive, file.filename), name=name, version=version)
            archive.seek(0)
            path = Path(folder) / file.filename
            with path.open("wb") as copy:
                while chunk := archive.read(1 << 20):
                    copy.write(chunk)
            raw = _reported(path, environ, python)
        check_name(raw, name=name, version=version)
        requires = _texts(raw, "requires_dist")
        check_requirements(requires)
        requires_python = raw.get("requires_python")
        return replace(
            own,
            requires_dist=requires,
            requires_python=requires_python if isinstance(requires_python, str) else None,
            provides_extra=extra_names(_texts(raw, "provides_extra")),
            source="build",
            reason="",
        )
    except MetadataInvalid as error:
        return unknown(name, version, str(error), "build", invalid=True)
    except MetadataUnusable as error:
        reason = str(error)
    except TooLarge:
        reason = f"it is larger than {limit_text(MAX_DOWNLOAD)}"
    return unknown(name, version, reason, "build")


def _reported(path: Path, environ: Mapping[str, str], python: str) -> dict[str, object]:
    """Return the metadata in pip's installation report (version 1) for the sdist *path*."""
    report = path.parent / "report.json"
    command = [
        python,
        *("-m", "pip", "install", "--dry-run", "--ignore-installed", "--no-deps", "--quiet"),
        *("--no-input", "--disable-pip-version-check", "--ignore-requires-python"),
        *("--report", str(report), "--target", str(path.parent / "target"), str(path)),
    ]
    passed = {
        name: value
        for name, value in environ.items()
        if name in _PASSED_ON
        or name.startswith(("PIP_", "XDG_CONFIG", "LC_"))
        or name.lower().endswith("_proxy")
    }
    passed["PATH"] = search_path(environ)
    if named := environ.get("PIP_CONFIG_FILE"):
        passed["PIP_CONFIG_FILE"] = str(Path(named).absolute())  # as planning read it, from here
    try:
        status = _ended(command, cwd=path.parent, environ=passed)
    except subprocess.TimeoutExpired:
        raise MetadataUnusable(
            f"its build did not end within {span_text(_TIMEOUT_S // 60)}"
        ) from None
    except OSError:
        raise MetadataUnusable("pip could not be run to build it") from None
    if status:
        raise MetadataUnusable("its build ended with an error on this machine")
    try:
        (installed,) = json.loads(report.read_bytes())["install"]
        raw = installed["metadata"]
        if isinstance(raw["name"], str) and isinstance(raw["version"], str):
            return dict(raw)
    except (OSError, ValueError, KeyError, TypeError):
        pass
    raise MetadataUnusable("pip reported nothing about its build")


def _ended(command: list[str], *, cwd: Path, environ: Mapping[str, str]) -> int:
    """
    Return the exit status of *command*; whoever stops waiting for it ends all that it started.

    Raises:
        OSError, TimeoutExpired: As `subprocess.run`.
    """
    with subprocess.Popen(  # noqa: S603  a list, no shell; the file name has no separator
        command,
        cwd=cwd,
        env=environ,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        process_group=0,
    ) as process:
        try:
            return process.wait(_TIMEOUT_S)
        except BaseException:
            # A build starts others, which would go on.
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, signal.SIGKILL)
            raise


def _texts(raw: Mapping[str, object], key: str) -> tuple[str, ...]:
    values = raw.get(key) or []
    if not isinstance(values, list):
        raise MetadataUnusable("pip reported nothing about its build")
    return tuple(one_line(str(one)) for one in values)
