"""pip inside an emulated Debian root, ready within a minute instead of ten."""

from __future__ import annotations

import os
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest

from robokit_plan.edge.files import held
from tests.real.roots import SUITES, WORK, Root, emulated, mirror, run, unpacked

_PACKAGES = "base-files,dash,coreutils,python3-venv,ca-certificates"
_BUNDLE = "etc/ssl/certs/ca-certificates.crt"


def pip_root(release: str, folder: Path) -> Root:
    """
    Return an arm64 root of *release* in *folder*, with Debian's Python and pip in ``/tmp/venv``.

    The packages are unpacked and not configured (mmdebstrap(1), variant extract): no program of the
    root runs for it, and pip asks nothing of what configuring would add. pip is put into the
    environment as `ensurepip` would, but by this machine: it is Debian's own wheel of it.
    """
    if os.geteuid() != 0:
        pytest.skip("making a root needs root rights")
    for tool in ("mmdebstrap", "unshare", "apt-get", "dpkg"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    if subprocess.run(["unshare", "--mount", "true"], check=False).returncode:
        pytest.skip("this machine lets nobody mount")
    emulated("arm64")
    WORK.mkdir(parents=True, exist_ok=True)
    tarball = WORK / f"{SUITES[release]}-arm64-pip.tar"
    with held(WORK):
        if not tarball.exists():
            part = tarball.with_suffix(".part.tar")
            run(
                "mmdebstrap", "--mode=chrootless", "--variant=extract", "--architectures=arm64",
                f"--include={_PACKAGES}", SUITES[release], str(part), mirror(),
            )  # fmt: skip
            part.rename(tarball)
    root = unpacked(tarball, folder)
    authorities = sorted((root.path / "usr/share/ca-certificates/mozilla").glob("*.crt"))
    # pip loads the bundle whenever it starts and asks a server without encryption: one will do.
    root.write(_BUNDLE, authorities[0].read_text())
    root.sh("python3 -m venv --without-pip /tmp/venv")
    (packages,) = (root.path / "tmp/venv/lib").glob("python3*/site-packages")
    (wheel,) = (root.path / "usr/share/python-wheels").glob("pip-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(packages)
    return root
