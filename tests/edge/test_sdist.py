"""What a source distribution says for certain; nothing of it is ever run."""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import random
import stat
import tarfile
import zipfile
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from packaging.requirements import Requirement

import robokit_plan.edge._sdist as module
from robokit_plan.edge._metadata import MAX_BYTES, MetadataUnusable
from robokit_plan.edge._pip_access import PipAccess
from robokit_plan.edge._sdist import (
    LEGACY_BUILD,
    metadata_of,
    read_files,
    sdist_metadata,
    sdist_name,
)
from robokit_plan.edge._transport import Client
from robokit_plan.edge.python_index import HashMismatch, IndexSettings
from robokit_plan.model import DistributionMetadata, DistributionName, IndexFile
from tests.pace import within

from .index_server import IndexServer, metadata, serving, tarball

HULL = DistributionName("hull-math")
ROOT = "hull_math-1.0"
NAME = f"{ROOT}.tar.gz"
BUILD = '[build-system]\nrequires = ["hatchling >=1.20"]\nbuild-backend = "hatchling.build"\n'


def _of(
    *, info: bytes | None = None, toml: str | None = None, version: str = "1.0"
) -> DistributionMetadata:
    files = {}
    if info is not None:
        files["PKG-INFO"] = info
    if toml is not None:
        files["pyproject.toml"] = toml.encode()
    return metadata_of(files, name=HULL, version=version)


def _info(level: str, *lines: str) -> bytes:
    return metadata("hull-math", "1.0", *lines, level=level)


class TestSources:
    """The first source that says for certain what is required."""

    @pytest.mark.parametrize("level", ["2.2", "2.3", "2.4", "2.10", "3.0"])
    def test_pkg_info_that_leaves_nothing_open(self, level: str) -> None:
        """
        PEP 643 (metadata 2.2): a field of an sdist that is not Dynamic is the same in any wheel.
        """
        info = _info(level, "Requires-Dist: numpy>=1", "Dynamic: Description", "License: BSD")
        found = _of(info=info, toml=BUILD)
        assert (found.source, found.requires_dist) == ("pkg-info", ("numpy>=1",))
        assert found.build_requires == ("hatchling >=1.20",)
        assert found.license == "BSD"

    @pytest.mark.parametrize(
        "info",
        [
            _info("2.1", "Requires-Dist: numpy"),  # before 2.2 nothing can be relied on
            _info("1.0"),
            _info("2.2", "Requires-Dist: numpy", "Dynamic: requires-DIST"),
            _info("nonsense"),
            None,
        ],
    )
    def test_then_the_project_table(self, info: bytes | None) -> None:
        """PEP 621: what is not in ``dynamic`` a back end must take as it stands."""
        found = _of(
            info=info,
            toml=BUILD
            + """
            [project]
            name = "Hull_Math"
            dynamic = ["version"]
            requires-python = ">=3.9"
            license = "MIT"
            dependencies = ["numpy>=1.24", 'tomli; python_version < "3.11"']
            [project.optional-dependencies]
            Show_It = ["rich", "x[y]>1; os_name == 'posix' or os_name == 'nt'", "z @ https://z.example/z.zip"]
            none = []
            """,
        )
        assert found.source == "pyproject"
        expected = (
            "numpy>=1.24",
            'tomli; python_version < "3.11"',
            'rich; extra == "show-it"',
            'x[y]>1; (os_name == "posix" or os_name == "nt") and extra == "show-it"',
            'z @ https://z.example/z.zip ; extra == "show-it"',
        )
        assert found.requires_dist is not None
        # As requirements, since `packaging` may space them in other ways.
        assert [Requirement(one) for one in found.requires_dist] == [
            Requirement(one) for one in expected
        ]
        # PEP 508: the author's own marker keeps its meaning beside the extra.
        marker = Requirement(found.requires_dist[3]).marker
        assert marker is not None
        assert not marker.evaluate({"os_name": "posix", "extra": ""})
        assert marker.evaluate({"os_name": "posix", "extra": "show-it"})
        assert Requirement(found.requires_dist[4]).url == "https://z.example/z.zip"
        assert found.provides_extra == ("show-it", "none")
        assert (found.requires_python, found.license) == (">=3.9", "MIT")
        assert found.version == "1.0"

    def test_a_project_table_without_dependencies_has_none(self) -> None:
        """PEP 621: absent and not dynamic means empty."""
        found = _of(toml='[project]\nname = "hull-math"\nversion = "1.0"')
        assert found.requires_dist == ()
        assert found.build_requires == LEGACY_BUILD

    @pytest.mark.parametrize(
        ("toml", "reason", "build"),
        [
            (None, "only its own build tells what it requires", LEGACY_BUILD),
            (BUILD, "only its own build tells what it requires", ("hatchling >=1.20",)),
            (
                BUILD + '[project]\nname="hull-math"\ndynamic=["dependencies"]',
                "its pyproject.toml leaves dependencies to its build",
                ("hatchling >=1.20",),
            ),
            (
                '[project]\nname="hull-math"\ndynamic=["optional-dependencies","dependencies"]',
                "its pyproject.toml leaves dependencies and optional-dependencies to its build",
                LEGACY_BUILD,
            ),
            (
                '[build-system]\nrequires=[]\n[project]\nname="hull-math"\n'
                'dynamic=["optional-dependencies"]\ndependencies=["numpy"]',
                "its pyproject.toml leaves optional-dependencies to its build",
                (),
            ),
        ],
    )
    def test_else_it_is_unknown_and_says_why(
        self, toml: str | None, reason: str, build: tuple[str, ...]
    ) -> None:
        found = _of(info=_info("2.1"), toml=toml)
        assert (found.requires_dist, found.reason) == (None, reason)
        assert found.build_requires == build
        assert found.source == "sdist"

    @pytest.mark.parametrize(
        ("info", "toml", "reason"),
        [
            (None, "[project", "its pyproject.toml is not valid TOML"),
            (None, 'x = "\\ud800"', "its pyproject.toml is not valid TOML"),
            (
                None,
                '[project]\nname = "other"',
                "its pyproject.toml is of another project than its file name says",
            ),
            (
                None,
                '[project]\nname = "hull-math"\ndependencies = "numpy"',
                "dependencies of its pyproject.toml is no list of strings",
            ),
            (
                None,
                '[project]\nname = "hull-math"\ndependencies = [1]',
                "dependencies of its pyproject.toml is no list of strings",
            ),
            (
                None,
                '[project]\nname = "hull-math"\ndependencies = ["numpy>=>1"]',
                "its requirement 'numpy>=>1' is not valid",
            ),
            (
                None,
                '[project]\nname = "hull-math"\noptional-dependencies = ["x"]',
                "optional-dependencies of its pyproject.toml are no table",
            ),
            (
                None,
                '[project]\nname = "hull-math"\n[project.optional-dependencies]\n"a b" = []',
                "its pyproject.toml names an extra that is not valid",
            ),
            (
                None,
                '[project]\nname = "hull-math"\n[project.optional-dependencies]\na = ["=1"]',
                "its requirement '=1' is not valid",
            ),
            (
                None,
                "[build-system]\nrequires = ['*']",
                "its requirement '*' is not valid",
            ),
            (
                metadata("other", "1.0", level="2.2"),
                None,
                "its metadata is of other 1.0, its file name says hull-math 1.0",
            ),
            (b"", None, "its metadata names no project and version"),
        ],
    )
    def test_what_is_wrong_is_refused_in_words(
        self, info: bytes | None, toml: str | None, reason: str
    ) -> None:
        with pytest.raises(MetadataUnusable) as caught:
            _of(info=info, toml=toml)
        assert str(caught.value) == reason


@pytest.mark.parametrize(
    ("filename", "found"),
    [
        ("hull_math-1.0.tar.gz", ("hull-math", "1.0")),
        ("Hull.Math-1.0.0rc1.zip", ("hull-math", "1.0.0rc1")),
        ("rpi-ws281x-5.0.0.tar.gz", ("rpi-ws281x", "5.0.0")),  # before PEP 625: any hyphens
        ("a-1.0.tar.bz2", ("a", "1.0")),
        ("a-1.0.post1+local.tgz", ("a", "1.0.post1+local")),
        ("a.tar.gz", None),
        ("a-.tar.gz", None),
        ("a-b.tar.gz", None),
        ("a-1.0.rpm", None),
    ],
)
def test_names(filename: str, found: tuple[str, str] | None) -> None:
    """Source: "Source distribution file name", PEP 625, and the looser names before it."""
    if found is None:
        with pytest.raises(MetadataUnusable):
            sdist_name(filename)
    else:
        assert sdist_name(filename) == found


def _zip(files: dict[str, bytes], link: str | None = None) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, body in files.items():
            member = zipfile.ZipInfo(path)
            kind = stat.S_IFLNK if path == link else 0
            member.external_attr = (kind | 0o644) << 16 if kind else 0
            member.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(member, body)
    return held.getvalue()


FILES = {f"{ROOT}/PKG-INFO": b"info", f"{ROOT}/pyproject.toml": b"toml", f"{ROOT}/a": b"x"}
WANTED = {"PKG-INFO": b"info", "pyproject.toml": b"toml"}


class TestArchives:
    @pytest.mark.parametrize(
        ("name", "body"),
        [
            (NAME, tarball(FILES)),
            ("hull_math-1.0.tgz", tarball({f"./{path}": body for path, body in FILES.items()})),
            ("hull_math-1.0.tar.bz2", tarball(FILES, mode="w:bz2")),
            ("hull_math-1.0.zip", _zip(FILES)),
        ],
    )
    def test_the_two_files_at_the_top_are_read(self, name: str, body: bytes) -> None:
        assert read_files(io.BytesIO(body), name) == WANTED

    def test_deeper_and_higher_files_do_not_count(self) -> None:
        """A test folder may hold whole projects; a path may try to leave."""
        files = {
            "PKG-INFO": b"1",
            f"{ROOT}/sub/PKG-INFO": b"2",
            "../PKG-INFO": b"3",
            "/PKG-INFO": b"4",
            "/etc/PKG-INFO": b"5",
            "./PKG-INFO": b"6",
            f"{ROOT}/../PKG-INFO": b"7",
            f"{ROOT}/pyproject.toml": b"toml",
        }
        expected = {"pyproject.toml": b"toml"}
        assert read_files(io.BytesIO(tarball(files)), NAME) == expected
        assert read_files(io.BytesIO(_zip(files)), "x-1.zip") == expected

    @pytest.mark.parametrize("kind", [tarfile.SYMTYPE, tarfile.LNKTYPE, tarfile.FIFOTYPE])
    def test_links_and_devices_are_not_followed(self, kind: bytes) -> None:
        held = io.BytesIO()
        with tarfile.open(fileobj=held, mode="w:gz") as archive:
            member = tarfile.TarInfo(f"{ROOT}/PKG-INFO")
            member.type = kind
            member.linkname = "/etc/passwd"
            archive.addfile(member)
        assert read_files(io.BytesIO(held.getvalue()), NAME) == {}
        linked = _zip({f"{ROOT}/PKG-INFO": b"/etc/passwd"}, link=f"{ROOT}/PKG-INFO")
        assert read_files(io.BytesIO(linked), "x-1.zip") == {}

    def test_two_project_folders_are_refused(self) -> None:
        """Source: "Source distribution archive format": one folder at the top."""
        files = {"a-1/PKG-INFO": b"", "b-1/pyproject.toml": b""}
        with pytest.raises(MetadataUnusable, match="more than one project folder"):
            read_files(io.BytesIO(tarball(files)), NAME)

    @pytest.mark.parametrize("name", [NAME, "x-1.zip", "x-1.tar.bz2"])
    @pytest.mark.parametrize(
        "body",
        [b"", b"garbage" * 100, gzip.compress(b"not a tar" * 999, mtime=0)],
        ids=["empty", "garbage", "packed garbage"],
    )
    def test_what_is_no_archive(self, name: str, body: bytes) -> None:
        with pytest.raises(MetadataUnusable, match="it is not a valid archive"):
            read_files(io.BytesIO(body), name)

    def test_a_packing_that_sdists_do_not_have(self) -> None:
        with pytest.raises(MetadataUnusable, match="packed in a way that sdists are not"):
            read_files(io.BytesIO(tarball(FILES, mode="w:xz")), "x-1.tar.xz")

    def test_metadata_beyond_all_measure(self) -> None:
        big = {f"{ROOT}/PKG-INFO": b"\0" * (MAX_BYTES + 1)}
        for name, body in ((NAME, tarball(big)), ("x-1.zip", _zip(big))):
            with pytest.raises(MetadataUnusable, match="its metadata is too large"):
                read_files(io.BytesIO(body), name)

    def test_too_many_files(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(module, "_MAX_MEMBERS", 100)
        body = tarball({f"{ROOT}/{n}": b"" for n in range(101)})
        with pytest.raises(MetadataUnusable, match="too many files are in it"):
            read_files(io.BytesIO(body), NAME)

    def test_a_bomb_costs_little(self) -> None:
        """A member that claims a terabyte ends before anything of it is unpacked."""
        member = tarfile.TarInfo(f"{ROOT}/zeros")
        member.size = 10**12
        body = gzip.compress(member.tobuf(tarfile.GNU_FORMAT) + bytes(1 << 20))
        with within(1), pytest.raises(MetadataUnusable, match="too much is in it"):
            read_files(io.BytesIO(body), NAME)

    @pytest.mark.parametrize("kind", [tarfile.XHDTYPE, tarfile.GNUTYPE_LONGNAME])
    def test_a_header_bomb_costs_little(self, kind: bytes) -> None:
        """`tarfile` reads an extended header whole; that read is bounded."""
        member = tarfile.TarInfo("x")
        member.type = kind
        member.size = 10**9
        body = gzip.compress(member.tobuf(tarfile.GNU_FORMAT) + bytes(1 << 20))
        with pytest.raises(MetadataUnusable, match="too much is in it"):
            read_files(io.BytesIO(body), NAME)

    @settings(max_examples=60, deadline=None)
    @given(st.integers(0, 2**32), st.integers(1, 30), st.booleans())
    def test_flipped_bytes_never_escape(self, seed: int, flips: int, zipped: bool) -> None:
        """Files, or `MetadataUnusable`; never another exception."""
        chance = random.Random(seed)
        files = {f"{ROOT}/PKG-INFO": os.urandom(300), f"{ROOT}/pyproject.toml": b"x" * 300}
        plain = bytearray(_zip(files) if zipped else gzip.decompress(tarball(files)))
        for _ in range(flips):
            plain[chance.randrange(min(len(plain), 3000))] = chance.randrange(256)
        body = bytes(plain) if zipped else gzip.compress(bytes(plain))
        try:
            found = read_files(io.BytesIO(body), "x-1.zip" if zipped else NAME)
        except MetadataUnusable:
            return
        assert set(found) <= {"PKG-INFO", "pyproject.toml"}


class TestDownload:
    @pytest.fixture(scope="class")
    @staticmethod
    def server() -> Iterator[IndexServer]:
        with serving() as found:
            yield found

    def _read(self, server: IndexServer, body: bytes, **changes: Any) -> DistributionMetadata:
        server.file(f"/{NAME}", body)
        known: dict[str, Any] = {
            "filename": NAME,
            "url": f"{server.url}/{NAME}",
            "sha256": hashlib.sha256(body).hexdigest(),
        }
        client = Client(PipAccess(IndexSettings(indexes=())), sleep=lambda _: None)
        return sdist_metadata(client, IndexFile(**{**known, **changes}))

    def test_the_whole_way(self, server: IndexServer) -> None:
        body = tarball({f"{ROOT}/PKG-INFO": _info("2.2", "Requires-Dist: numpy")})
        found = self._read(server, body)
        assert (found.requires_dist, found.source) == (("numpy",), "pkg-info")
        assert found.build_requires == LEGACY_BUILD

    def test_another_file_than_listed_is_refused(self, server: IndexServer) -> None:
        with pytest.raises(HashMismatch) as caught:
            self._read(server, tarball({}), sha256="00" * 32)
        assert str(caught.value) == (
            f"the Python index default sent something else than the file {NAME}: its SHA-256 is not"
            " the one on the index's own page: it was damaged on the way, or replaced"
        )

    def test_one_that_is_too_large_is_not_read(
        self, server: IndexServer, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(module, "MAX_DOWNLOAD", 2_000_000)
        found = self._read(server, os.urandom(2_000_001))
        assert (found.requires_dist, found.reason) == (None, "it is larger than 2 MB")

    def test_trouble_is_of_that_file_alone(self, server: IndexServer) -> None:
        found = self._read(server, b"garbage")
        assert (found.name, found.version) == ("hull-math", "1.0")
        assert (found.requires_dist, found.reason) == (None, "it is not a valid archive")
        assert self._read(server, b"", filename="x.tar.gz").reason == (
            "its file name is not that of an sdist"
        )
