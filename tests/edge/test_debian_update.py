"""
A mirror in the middle of an update, and a cache that takes no file: what is kept stays of use.

A mirror is updated file by file, and a Release file, the lists under their names, and the lists
under their hashes may each be of either side, or away (wiki.debian.org/DebianRepository/Format,
"indices acquisition via hashsums (by-hash)").
"""

from __future__ import annotations

import hashlib
import itertools
import lzma
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from email.utils import formatdate
from pathlib import Path

import pytest

from robokit_plan.edge._cached_yaml import DATA, read_data_file
from robokit_plan.edge._debian_apt_config import AptSettings
from robokit_plan.edge._index_errors import IndexTrouble
from robokit_plan.edge.debian_archive import DebianReader, archive_mirrors, debian_archive
from robokit_plan.model import DebianName, System

from .debian_mirror import NOW, DebianMirror, debian_mirror

TOOL = DebianName("pond-tool")
ARCHITECTURES = ("arm64", "armhf")
LATER = NOW + 7200
Files = dict[str, bytes]


def published(version: str, architectures: tuple[str, ...] = ARCHITECTURES) -> Files:
    """Return one suite, path -> file, in which every architecture has *version* of one package."""
    files: Files = {}
    rows = []
    for one in architectures:
        text = (
            f"Package: {TOOL}\nVersion: {version}\nArchitecture: {one}\nPriority: optional\n"
            f"Filename: pool/t_{version}_{one}.deb\nSize: 7\nSHA256: {'1' * 64}\n"
        ).encode()
        folder = f"main/binary-{one}"
        for form, body in (("", text), (".xz", lzma.compress(text))):
            digest = hashlib.sha256(body).hexdigest()
            rows.append(f" {digest} {len(body)} {folder}/Packages{form}")
            if form:
                files[f"{folder}/Packages{form}"] = body
                files[f"{folder}/by-hash/SHA256/{digest}"] = body
    release = (
        "Origin: Debian\nSuite: stable\nCodename: trixie\nAcquire-By-Hash: yes\n"
        f"Date: {formatdate(NOW - 3600, usegmt=True)}\n"
        f"Architectures: {' '.join(architectures)}\nComponents: main\nX-Version: {version}\n"
        "SHA256:\n" + "\n".join(rows) + "\n"
    )
    files["InRelease"] = release.encode()
    return {f"/debian/dists/trixie/{path}": body for path, body in files.items()}


OLD, NEW = published("1"), published("2")


@pytest.fixture(scope="module")
def mirror() -> Iterator[DebianMirror]:
    with debian_mirror() as found:
        yield found


def versions(
    url: str, cache: Path, architecture: str = "arm64", *, offline: bool = False, now: float = LATER
) -> tuple[str, list[str]]:
    """Return the version that is planned from, and the rules of what is found."""
    reader = debian_archive(
        System(mirror=f"{url}/debian", suites=("trixie",), architecture=architecture),
        root=cache.parent,
        environ={"PATH": "/usr/bin:/bin"},
        offline=offline,
        folder=cache,
        settings=AptSettings(),
        now=lambda: now,
        sleep=lambda _: None,
    )
    assert isinstance(reader, DebianReader)
    with reader:
        (package,) = reader.read([TOOL]).rows[TOOL].packages
        assert package.architecture == architecture
        return package.version, [one.rule for one in reader.findings]


def filled(mirror: DebianMirror, cache: Path) -> Path:
    mirror.files = dict(OLD)
    for one in ARCHITECTURES:
        assert versions(mirror.url, cache, one, now=NOW)[0] == "1"
    return cache


def states() -> Iterator[tuple[str, Files]]:
    """Yield each state of an update of arm64; the other architecture is of either side too."""
    kinds = {
        "InRelease": [path for path in OLD if path.endswith("InRelease")],
        "names": [path for path in OLD if "arm64/Packages" in path],
        "armhf": [path for path in OLD if "armhf/Packages" in path],
    }
    sides: Mapping[str, Files] = {"old": OLD, "new": NEW, "away": {}}
    hashes = {
        "old": {path: body for path, body in OLD.items() if "by-hash" in path},
        "new": {path: body for path, body in NEW.items() if "by-hash" in path},
    }
    hashes |= {"both": hashes["old"] | hashes["new"], "away": {}}
    for chosen in itertools.product(sides, sides, sides, hashes):
        files: Files = dict(hashes[chosen[3]])
        for side, paths in zip(chosen, kinds.values(), strict=False):
            files |= {path: sides[side][path] for path in paths if path in sides[side]}
        yield " ".join(chosen), files


def sampled() -> list[tuple[str, Files]]:
    """Return every fifth of the states; all 108 with ROBOKIT_TEST_STATES=all."""
    every = 1 if os.environ.get("ROBOKIT_TEST_STATES") == "all" else 5
    return list(states())[::every]


def test_each_state_of_an_update(mirror: DebianMirror, tmp_path: Path) -> None:
    """
    In each: what was kept or what is new is planned from, told which; offline stays of use; and
    the finished update is found.
    """
    kept = filled(mirror, tmp_path / "kept")
    seen = set()
    for number, (name, files) in enumerate(sampled()):
        cache = tmp_path / str(number)
        shutil.copytree(kept, cache)
        mirror.files = files
        version, rules = versions(mirror.url, cache)
        whole = name.startswith("old") or version == "2"
        assert whole or "archive-stale" in rules, name
        assert not (name.startswith("old") and version == "2"), name
        for one in ARCHITECTURES:
            found, _ = versions(mirror.url, cache, one, offline=True)
            assert found == (version if one == "arm64" else "1"), name
        seen.add((version, "archive-stale" in rules))
        mirror.files = NEW
        assert versions(mirror.url, cache, now=LATER + 7200)[0] == "2", name
        shutil.rmtree(cache)
    assert seen == {("1", False), ("1", True), ("2", False)}


def test_each_state_from_nothing(mirror: DebianMirror, tmp_path: Path) -> None:
    """What is not whole is refused, and keeps nothing that a later run could take for whole."""
    for number, (name, files) in enumerate(sampled()):
        cache = tmp_path / str(number)
        mirror.files = files
        try:
            version, _ = versions(mirror.url, cache)
        except IndexTrouble:
            with pytest.raises(IndexTrouble):
                versions(mirror.url, cache, offline=True)
            assert not list(cache.glob("release-*")), name
        else:
            assert version == {"old": "1", "new": "2"}[name.split()[0]], name
            assert versions(mirror.url, cache, offline=True)[0] == version


def test_another_architecture_keeps_its_set(mirror: DebianMirror, tmp_path: Path) -> None:
    """A robot of one kind does not take the kept lists of another kind out of use."""
    cache = filled(mirror, tmp_path / "cache")
    mirror.files = NEW
    assert versions(mirror.url, cache, "arm64")[0] == "2"
    assert versions(mirror.url, cache, "armhf", offline=True)[0] == "1"


def test_a_suite_in_the_middle_leaves_the_others(mirror: DebianMirror, tmp_path: Path) -> None:
    """Each suite is a set of its own."""
    updates = {path.replace("/trixie/", "/trixie-updates/"): body for path, body in OLD.items()}
    mirror.files = OLD | updates
    system = System(mirror=f"{mirror.url}/debian", suites=("trixie", "trixie-updates"))
    found = []
    for files, offline in ((OLD | updates, False), (NEW, False), ({}, True)):
        mirror.files = files
        reader = debian_archive(
            system, root=tmp_path, environ={}, folder=tmp_path / "cache", settings=AptSettings(),
            now=lambda: LATER, sleep=lambda _: None, offline=offline,
        )  # fmt: skip
        assert isinstance(reader, DebianReader)
        with reader:
            packages = reader.read([TOOL]).rows[TOOL].packages
            found.append(sorted(one.version for one in packages))
    assert found == [["1", "1"], ["1", "2"], ["1", "2"]]


def test_what_the_version_before_kept_is_used(mirror: DebianMirror, tmp_path: Path) -> None:
    """Its Release files stood under a name that all architectures shared."""
    cache = filled(mirror, tmp_path / "cache")
    system = System(mirror=f"{mirror.url}/debian")
    found = archive_mirrors(
        system, AptSettings(), "trixie", read_data_file(DATA / "debian" / "releases.yaml")
    )
    assert not isinstance(found, str)
    (address,) = found.main
    name = f"{address.root}\nFalse\n{hashlib.sha256(bytes(1).join(address.keys)).hexdigest()}"
    before = cache / f"release-{hashlib.sha256(name.encode()).hexdigest()[:40]}.json"
    own, other = sorted(cache.glob("release-*.json"))
    own.rename(before)
    other.unlink()
    mirror.files = {}
    assert versions(mirror.url, cache, offline=True)[0] == "1"
    assert len(list(cache.glob("release-*.json"))) == 2


KILLED = """
import os, shutil, sys
from pathlib import Path
from tests.edge.test_debian_update import versions
url, kept, work = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
number, ends = 0, []
while True:
    cache = work / str(number)
    shutil.copytree(kept, cache)
    child = os.fork()
    if not child:
        steps = 0
        def hook(event, args):
            global steps
            if event in {"open", "os.rename", "os.remove", "os.utime", "sqlite3.connect",
                         "socket.connect", "os.mkdir"}:
                where = args[1] if event == "socket.connect" else args[0]
                if event != "socket.connect" and str(cache) not in str(where):
                    return
                if steps == number:
                    os.kill(os.getpid(), 9)
                steps += 1
        sys.addaudithook(hook)
        versions(url, cache)
        os._exit(0)
    done = os.waitpid(child, 0)[1]
    ends.append(versions(url, cache, offline=True)[0])
    ends.append(versions(url, cache, "armhf", offline=True)[0])
    shutil.rmtree(cache)
    number += 1
    if not done:
        break
print(number, *ends)
"""


def test_killed_at_each_step(mirror: DebianMirror, tmp_path: Path) -> None:
    """SIGKILL before each open, rename, removal, connection: the old set or the new one stays."""
    kept = filled(mirror, tmp_path / "kept")
    mirror.files = NEW
    done = subprocess.run(
        [sys.executable, "-c", KILLED, mirror.url, str(kept), str(tmp_path)],
        check=True, capture_output=True, text=True, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    number, *ends = done.stdout.split()
    own, other = ends[::2], ends[1::2]
    assert int(number) > 8
    assert own == sorted(own)
    assert set(own) == {"1", "2"}
    assert set(other) == {"1"}


UNWRITABLE = """
import functools, os, resource, signal, sys
from pathlib import Path
from robokit_plan.edge import debian_archive
from tests.edge.test_debian_update import versions
# the package may stand in a folder that is closed to the other user, as a clone of root's does
debian_archive.read_data_file = functools.cache(debian_archive.read_data_file)
url, cache, how = sys.argv[1], Path(sys.argv[2]), sys.argv[3]
# all that is imported late, while this user may read the libraries
versions(url, Path(os.environ["WARM"]))
if how == "full":
    # each write of a file fails, as on a full disk (setrlimit(2), RLIMIT_FSIZE)
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
elif os.geteuid() == 0:
    os.setgroups([]); os.setgid(65534); os.setuid(65534)
found = versions(url, cache, offline="offline" in sys.argv)[0]
os.write(1, found.encode()) if how != "full" else os._exit(int(found))
"""


@pytest.mark.parametrize("how", ["folder", "files", "other's"])
@pytest.mark.parametrize("online", ["offline", "online", "updated"])
def test_a_cache_that_cannot_be_written_is_used(
    mirror: DebianMirror, request: pytest.FixtureRequest, how: str, online: str
) -> None:
    """
    Read-only folder, read-only files, another user's: used; and what is new is read beside it.
    """
    # The folders above it are closed to others again whenever another run of tests begins.
    place = Path(tempfile.mkdtemp(prefix="robokit-cache-"))
    request.addfinalizer(lambda: shutil.rmtree(place))
    place.chmod(0o755)
    cache = filled(mirror, place / "cache")
    before = {one.name: one.read_bytes() for one in cache.iterdir()}
    mirror.files = NEW if online == "updated" else OLD
    for one in cache.iterdir():
        one.chmod(0o444)
    cache.chmod(0o755 if how == "files" else 0o555)
    if how == "files" and os.geteuid() == 0:
        for one in (cache, *cache.iterdir()):
            os.chown(one, 65534, 65534)
    spare = place / "spare"
    spare.mkdir(mode=0o777)
    spare.chmod(0o777)
    done = subprocess.run(
        [sys.executable, "-c", UNWRITABLE, mirror.url, str(cache), how, online],
        check=False, capture_output=True, text=True, cwd=Path(__file__).parents[2],
        env={**os.environ, "TMPDIR": str(spare), "PYTHONDONTWRITEBYTECODE": "1",
             "HOME": str(spare), "WARM": str(place / "warm")},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout == ("2" if online == "updated" else "1")
    if how != "files":
        assert {one.name: one.read_bytes() for one in cache.iterdir()} == before
    assert not list(spare.glob("robokit-plan-*"))


@pytest.mark.parametrize("online", ["offline", "online"])
def test_a_cache_on_a_full_disk_is_used(mirror: DebianMirror, tmp_path: Path, online: str) -> None:
    cache = filled(mirror, tmp_path / "cache")
    done = subprocess.run(
        [sys.executable, "-c", UNWRITABLE, mirror.url, str(cache), "full", online],
        check=False, cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "WARM": str(tmp_path / "warm")},
    )  # fmt: skip
    assert done.returncode == 1  # the version that is planned from
    assert not list(cache.glob("*.part"))
    assert versions(mirror.url, cache, offline=True)[0] == "1"
