"""
What compiled wheels load of the system, against the table of native needs and a bare Debian.

Reading the needs by range is not cheap, so planning does not: the compiled members were 44 to 97
percent of ten wheels' bytes (2026-11), and an ELF file's strings stand anywhere in it. What a
manylinux wheel may load is a short list; what of it a bare Debian lacks must be in the table. The
large ones with ``ROBOKIT_LARGE_WHEELS=1``: 110 MB.

Source:
    PEP 599 and 600, libraries that a wheel may link against; System V ABI, "Dynamic Section".
"""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from robokit_plan.edge.python_facts import read_python_facts
from robokit_plan.model import DistributionName

pytestmark = pytest.mark.live

SMALL = ("cbor2", "cffi", "frozenlist", "gpiod", "multidict", "yarl")
LARGE = ("numpy", "opencv-python", "opencv-python-headless")
BARE = {
    "ld-linux-aarch64.so.1", "libc.so.6", "libdl.so.2", "libm.so.6", "libpthread.so.0",
    "libresolv.so.2", "librt.so.1", "libutil.so.1", "libgcc_s.so.1", "libstdc++.so.6", "libz.so.1",
}  # fmt: skip
"""libc6, and what apt and dpkg depend on: apt-cache depends apt dpkg, Debian 12 and 13."""
PACKAGES = {
    "libGL.so.1": {"libgl1"},
    "libICE.so.6": {"libice6"},
    "libSM.so.6": {"libsm6"},
    "libX11.so.6": {"libx11-6"},
    "libXext.so.6": {"libxext6"},
    "libglib-2.0.so.0": {"libglib2.0-0", "libglib2.0-0t64"},
    "libgthread-2.0.so.0": {"libglib2.0-0", "libglib2.0-0t64"},
    "libxcb.so.1": {"libxcb1"},
}
"""Library -> the Debian package that carries it, Debian 12 and 13: their lists of files, 2026-11."""


def needed(binary: bytes) -> Iterator[str]:
    """Yield DT_NEEDED of a little-endian ELF64 file."""
    assert binary[:6] == b"\x7fELF\x02\x01"
    offset, size, count = (
        struct.unpack_from("<Q", binary, 0x20)[0],
        *struct.unpack_from("<HH", binary, 0x36),
    )
    loads, dynamic = [], b""
    for at in range(offset, offset + size * count, size):
        kind, _, start, address, _, length = struct.unpack_from("<IIQQQQ", binary, at)
        if kind == 1:  # PT_LOAD
            loads.append((address, start, length))
        elif kind == 2:  # PT_DYNAMIC
            dynamic = binary[start : start + length]
    entries = [struct.unpack_from("<QQ", dynamic, at) for at in range(0, len(dynamic), 16)]
    table = next((value for tag, value in entries if tag == 5), 0)  # DT_STRTAB, an address
    for tag, value in entries:
        if tag == 1:  # DT_NEEDED
            base = next(s + table - a for a, s, n in loads if a <= table < a + n)
            yield binary[base + value : binary.index(b"\0", base + value)].decode()


def wheels(names: tuple[str, ...], folder: Path) -> Iterator[tuple[str, Path]]:
    subprocess.run(
        [
            sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--only-binary", ":all:",
            "--platform", "manylinux_2_28_aarch64", "--platform", "manylinux_2_27_aarch64",
            "--platform", "manylinux2014_aarch64", "--python-version", "3.13", "--implementation",
            "cp", "--abi", "cp313", "--abi", "abi3", "-d", str(folder), *names,
        ],
        check=True,
    )  # fmt: skip
    for file in sorted(folder.iterdir()):
        yield file.name.partition("-")[0].replace("_", "-").lower(), file


@pytest.mark.parametrize(
    "names",
    [
        pytest.param(SMALL, id="small"),
        pytest.param(
            LARGE,
            id="large",
            marks=pytest.mark.skipif(
                "ROBOKIT_LARGE_WHEELS" not in os.environ, reason="110 MB: ROBOKIT_LARGE_WHEELS=1"
            ),
        ),
    ],
)
def test_what_a_wheel_loads_is_bare_debian_or_in_the_table(
    names: tuple[str, ...], tmp_path: Path
) -> None:
    facts = read_python_facts().native
    looked = 0
    for name, file in wheels(names, tmp_path):
        with zipfile.ZipFile(file) as wheel:
            members = [n for n in wheel.namelist() if re.search(r"\.so(\.[0-9.]+)?$", n)]
            own = {member.rpartition("/")[2] for member in members}
            asked = {one for member in members for one in needed(wheel.read(member))}
        looked += len(members)
        # what a member of the same wheel brings may bear a digest in its name
        outside = {one for one in asked - own - BARE if not re.search(r"-[0-9a-f]{8}\.so", one)}
        for release in ("debian-12", "debian-13"):
            told = {
                package
                for fact in facts.get(DistributionName(name), ())
                for package in fact.run.get(release, ())
            }
            assert {one for one in outside if not PACKAGES.get(one, set()) & told} == set(), name
    assert looked >= len(names)
