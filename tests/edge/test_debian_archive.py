"""The archive through a mirror: what is asked for, what is kept, and every way it can go wrong."""

from __future__ import annotations

import gzip
import re
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from robokit_plan.edge._debian_apt_config import AptSettings
from robokit_plan.edge._index_errors import HashMismatch, IndexUnreachable
from robokit_plan.edge.debian_archive import DebianReader, debian_archive
from robokit_plan.formats.unreadable import UnreadableFile
from robokit_plan.model import DebianName, Origin, Source, System

from .debian_mirror import NOW, PACKAGES, SECURITY, DebianMirror, Signer, debian_mirror

NAME = DebianName
HERE = Origin(file="robot.yaml", line=5, column=3)


@pytest.fixture
def mirror() -> Iterator[DebianMirror]:
    with debian_mirror() as served:
        served.add_suite("trixie", PACKAGES)
        served.add_suite("trixie-updates", "")
        served.add_suite("trixie-security", SECURITY, root="/debian-security")
        yield served


@pytest.fixture(scope="module")
def signer(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Signer]:
    if not Signer.available:
        pytest.skip("gpg is not on this machine")
    # The agent's socket has a short limit on its path.
    import tempfile

    with tempfile.TemporaryDirectory(prefix="rk-") as home:
        key = Signer(Path(home) / "g")
        yield key
        key.close()


Opener = Callable[..., "DebianReader | str"]


@pytest.fixture
def opened(mirror: DebianMirror, tmp_path: Path) -> Iterator[Opener]:
    """Open the archive of a robot whose mirror is the served one; closed at the end."""
    readers: list[DebianReader] = []

    def open_it(
        system: System | None = None,
        *,
        offline: bool = False,
        now: float = NOW,
        settings: AptSettings | None = None,
        environ: dict[str, str] | None = None,
    ) -> DebianReader | str:
        found = debian_archive(
            system or System(mirror=f"{mirror.url}/debian", places={"mirror": HERE}),
            root=tmp_path,
            environ=environ or {"PATH": "/usr/bin:/bin"},
            offline=offline,
            folder=tmp_path / "cache",
            settings=settings or AptSettings(),
            now=lambda: now,
            sleep=lambda _seconds: None,
        )
        if isinstance(found, DebianReader):
            readers.append(found)
        return found

    yield open_it
    for reader in readers:
        reader.close()


def rules(reader: DebianReader | str) -> list[str]:
    assert isinstance(reader, DebianReader), reader
    return sorted({one.rule for one in reader.findings})


def test_rows_come_from_all_suites(opened: Opener) -> None:
    """One name: what bears it in suite order, what provides it, and what it leads to at once."""
    reader = opened()
    assert isinstance(reader, DebianReader)
    assert reader.archive.suites == ("trixie", "trixie-updates", "trixie-security")
    assert set(reader.archive.base) == {"libc6"}
    assert not reader.archive.base_complete
    archive = reader.read([NAME("mosquitto")])
    versions = [one.version for one in archive.rows[NAME("libmosquitto1")].packages]
    assert versions == ["2.0.21-1", "2.0.21-1+deb13u1"]
    row = archive.rows[NAME("mail-server")]
    assert [one.name for one in row.providers] == ["postman"]
    (broker,) = archive.rows[NAME("mosquitto")].packages
    # A folded field is one relation list (Policy 5.1).
    assert broker.depends == "libc6 (>= 2.38), libmosquitto1 (= 2.0.21-1), mail-server"
    # Installed-Size counts 1024 bytes (Policy 5.6.20).
    assert (broker.size, broker.installed_size) == (320_000, 700 * 1024)
    assert broker.sha256 == "3" * 64
    assert broker.suite == "trixie"


def test_second_run_asks_nobody(opened: Opener, mirror: DebianMirror) -> None:
    """Within the hour nothing is asked again; later only the Release files are."""
    first = opened()
    assert rules(first) == ["archive-unverified"]
    indices = [path for path in mirror.seen if "by-hash" in path]
    assert len(indices) == 3
    mirror.seen.clear()
    opened(now=NOW + 4000)
    assert [path for path in mirror.seen if not path.endswith("InRelease")] == []
    assert len(mirror.seen) == 3


def test_verified_release_is_fresh_for_an_hour(
    opened: Opener, mirror: DebianMirror, signer: Signer, tmp_path: Path
) -> None:
    """A signature that holds is not asked for again soon; then ``If-None-Match`` saves the body."""
    (tmp_path / "keys").mkdir()
    (tmp_path / "keys" / "shore.asc").write_bytes(signer.key)
    mirror.add_suite("shore", SECURITY, root="/shore", signer=signer)
    mirror.etag = True
    system = System(
        mirror=f"{mirror.url}/debian",
        sources=(
            Source(
                name="shore",
                url=f"{mirror.url}/shore",
                suites=("shore",),
                components=("main",),
                signed_by="keys/shore.asc",
                origin=HERE,
            ),
        ),
    )
    reader = opened(system)
    assert isinstance(reader, DebianReader)
    assert not [one for one in reader.findings if one.resource == "shore shore"]
    mirror.seen.clear()
    opened(system, now=NOW + 3599)
    assert "/shore/dists/shore/InRelease" not in mirror.seen
    opened(system, now=NOW + 3601)
    assert mirror.seen.count("/shore/dists/shore/InRelease") == 1


def test_broken_signature_stops(
    opened: Opener, mirror: DebianMirror, signer: Signer, tmp_path: Path
) -> None:
    """A signed file that was changed afterwards is refused, not merely warned of."""
    keyring = tmp_path / "keys.gpg"
    keyring.write_bytes(signer.binary_key)
    mirror.add_suite("trixie", PACKAGES, signer=signer)
    path = "/debian/dists/trixie/InRelease"
    mirror.files[path] = mirror.files[path].replace(b"Suite: stable", b"Suite: staple")
    settings = apt_settings(
        tmp_path, f"deb [signed-by={keyring}] {mirror.url}/debian trixie main\n"
    )
    with pytest.raises(HashMismatch) as caught:
        opened(System(), settings=settings)
    assert str(caught.value) == (
        "the Release file of trixie is not the one that was signed: "
        "its signature does not fit its content"
    )


def test_text_around_the_signed_text_is_refused(
    opened: Opener, mirror: DebianMirror, signer: Signer
) -> None:
    """What nobody signed is not read, even where the signature inside holds (RFC 9580, 7)."""
    mirror.add_suite("trixie", PACKAGES, signer=signer)
    path = "/debian/dists/trixie/InRelease"
    mirror.files[path] = b"Origin: Debian\nSHA256:\n\n" + mirror.files[path]
    with pytest.raises(IndexUnreachable, match="not one clear-signed text"):
        opened()


def test_signature_beside_the_release(
    opened: Opener, mirror: DebianMirror, signer: Signer, tmp_path: Path
) -> None:
    """Old archives have Release and Release.gpg."""
    (tmp_path / "k.asc").write_bytes(signer.key)
    mirror.add_suite("old", SECURITY, root="/old")
    release = mirror.files.pop("/old/dists/old/InRelease")
    mirror.files["/old/dists/old/Release"] = release
    mirror.files["/old/dists/old/Release.gpg"] = signer.signature(release)
    source = Source(
        name="old",
        url=f"{mirror.url}/old",
        suites=("old",),
        components=("main",),
        signed_by="k.asc",
        origin=HERE,
    )
    reader = opened(System(mirror=f"{mirror.url}/debian", sources=(source,)))
    assert isinstance(reader, DebianReader)
    assert [one.resource for one in reader.findings if one.rule == "archive-unverified"] == [
        "trixie",
        "trixie-updates",
        "trixie-security",
    ]


def test_unverified_says_why(opened: Opener) -> None:
    """Never silently: who made the lists could not be checked."""
    reader = opened()
    assert isinstance(reader, DebianReader)
    found = next(one for one in reader.findings if one.resource == "trixie")
    assert found.message == "who made the package lists of trixie could not be checked"
    assert found.severity.value == "warning"
    assert found.places[0].origin == HERE


def apt_settings(folder: Path, sources: str = "", deb822: str = "") -> AptSettings:
    etc = folder / "etc"
    (etc / "sources.list.d").mkdir(parents=True, exist_ok=True)
    (etc / "sources.list").write_text(sources)
    if deb822:
        (etc / "sources.list.d" / "debian.sources").write_text(deb822)
    return AptSettings(options={"dir": str(folder)}, etc=etc)


def test_mirror_of_apt_serves_another_release(
    opened: Opener, mirror: DebianMirror, tmp_path: Path
) -> None:
    """This machine runs Debian 12; its mirrors serve the target's Debian 13, each its own part."""
    deb822 = (
        f"Types: deb\nURIs: {mirror.url}/debian\nSuites: bookworm bookworm-updates\n"
        f"Components: main\n\nTypes: deb\nURIs: {mirror.url}/debian-security\n"
        "Suites: bookworm-security\nComponents: main\n"
    )
    reader = opened(System(), settings=apt_settings(tmp_path, deb822=deb822))
    assert isinstance(reader, DebianReader)
    assert reader.archive.suites == ("trixie", "trixie-updates", "trixie-security")
    assert not [path for path in mirror.seen if "bookworm" in path]


def test_archive_that_only_uses_the_same_code_names(
    opened: Opener, mirror: DebianMirror, tmp_path: Path
) -> None:
    """A derivative with Debian's code names does not pass for Debian; the next entry is tried."""
    mirror.add_suite("trixie", PACKAGES, root="/derived", origin="Derived")
    sources = f"deb {mirror.url}/derived trixie main\ndeb {mirror.url}/debian trixie main\n"
    reader = opened(System(), settings=apt_settings(tmp_path, sources))
    assert isinstance(reader, DebianReader)
    assert [
        one.version for one in reader.read([NAME("mosquitto")]).rows[NAME("mosquitto")].packages
    ]
    assert "/derived/dists/trixie/InRelease" in mirror.seen


@pytest.mark.parametrize(
    ("settings", "reason"),
    [
        (AptSettings(), "apt is not on this machine and system: {mirror: ...} names no archive"),
        (
            None,
            "apt on this machine is not configured for Debian, and system: {mirror: ...} is not set",
        ),
    ],
)
def test_no_mirror_is_a_reason(
    opened: Opener, tmp_path: Path, settings: AptSettings | None, reason: str
) -> None:
    """Where no mirror is known, everything else is still planned."""
    other = apt_settings(tmp_path, "deb http://ports.example/other noble main\n")
    assert opened(System(), settings=settings or other) == reason


def test_security_suite_that_nobody_has(opened: Opener, mirror: DebianMirror) -> None:
    """A mirror without the security suite: planned without, and said."""
    del mirror.files["/debian-security/dists/trixie-security/InRelease"]
    reader = opened()
    assert isinstance(reader, DebianReader)
    assert reader.archive.suites == ("trixie", "trixie-updates")
    (found,) = [one for one in reader.findings if one.rule == "archive-suite-missing"]
    assert found.message == "the suite trixie-security is not planned from"


def test_declared_suite_must_be_there(opened: Opener, mirror: DebianMirror) -> None:
    """What the robot file names is not left out quietly."""
    system = System(mirror=f"{mirror.url}/debian", suites=("trixie", "trixie-backports"))
    with pytest.raises(IndexUnreachable, match="the suite trixie-backports could not be read"):
        opened(system)


def test_mirror_in_the_middle_of_an_update(opened: Opener, mirror: DebianMirror) -> None:
    """Another file than the Release file lists: some tries, then a clear word and no cache."""
    for path in list(mirror.files):
        if "/debian/dists/trixie/main" in path:
            mirror.files[path] = b"something else"
    with pytest.raises(HashMismatch) as caught:
        opened()
    assert str(caught.value) == (
        "the package index main/binary-arm64/Packages of trixie is not the file that its Release "
        "file lists: the mirror is probably in the middle of an update, or a proxy keeps old files"
    )
    assert mirror.seen.count("/debian/dists/trixie/InRelease") == 3


def test_mirror_that_has_finished_its_update(opened: Opener, mirror: DebianMirror) -> None:
    """The second look finds both in step."""
    good = dict(mirror.files)
    for path in list(mirror.files):
        if "/debian/dists/trixie/main" in path:
            mirror.files[path] = b"something else"
    looks = 0
    answer = mirror.answer

    def later(path: str, asked: dict[str, str]) -> tuple[int, bytes, dict[str, str]]:
        nonlocal looks
        if path == "/debian/dists/trixie/InRelease":
            looks += 1
            if looks == 2:
                mirror.files.update(good)
        return answer(path, asked)

    mirror.answer = later  # type: ignore[method-assign]
    assert isinstance(opened(), DebianReader)


def test_decompressed_index_is_checked_too(opened: Opener, mirror: DebianMirror) -> None:
    """A compressed file that fits its hash and unpacks to another text is not kept."""
    path = "/debian/dists/trixie/InRelease"
    lines = mirror.files[path].decode().splitlines()
    mirror.files[path] = "\n".join(
        line.replace(line.split()[0], "0" * 64) if line.endswith("/Packages") else line
        for line in lines
    ).encode()
    with pytest.raises(HashMismatch):
        opened()


def test_a_packed_list_of_the_same_size_is_refused(
    opened: Opener, mirror: DebianMirror, tmp_path: Path
) -> None:
    """Where nothing but the packed form is listed, its own hash is all that tells."""
    mirror.add_suite("trixie", PACKAGES, forms=(".gz",), by_hash=False)
    folder = "main/binary-arm64/Packages"
    release, path = "/debian/dists/trixie/InRelease", f"/debian/dists/trixie/{folder}.gz"
    mirror.files[release] = re.sub(
        rf" [0-9a-f]{{64}} \d+ {folder}\n".encode(), b"", mirror.files[release]
    )
    assert isinstance(opened(), DebianReader)
    others = (PACKAGES.replace("2.0.21-1", f"2.0.21-{digit}") for digit in "23456789")
    packed = (gzip.compress(text.encode(), mtime=0) for text in others)
    mirror.files[path] = next(one for one in packed if len(one) == len(mirror.files[path]))
    for kept in (tmp_path / "cache").iterdir():
        kept.unlink()
    with pytest.raises(HashMismatch):
        opened()


def test_server_that_asks_to_come_back(opened: Opener, mirror: DebianMirror) -> None:
    """A 503 is tried again."""
    mirror.statuses["/debian/dists/trixie/InRelease"] = [503, 503]
    assert isinstance(opened(), DebianReader)


def test_gzip_only(opened: Opener, mirror: DebianMirror) -> None:
    """An archive without xz, and without by-hash."""
    mirror.files.clear()
    mirror.add_suite("trixie", PACKAGES, by_hash=False, forms=("", ".gz"))
    assert isinstance(opened(), DebianReader)


def test_offline_uses_the_cache_and_says_how_old(opened: Opener, mirror: DebianMirror) -> None:
    """Nobody is asked, and the age is told."""
    opened()
    mirror.seen.clear()
    reader = opened(offline=True, now=NOW + 3 * 86_400)
    assert isinstance(reader, DebianReader)
    assert mirror.seen == []
    assert reader.age_s == 3 * 86_400
    stale = [one for one in reader.findings if one.rule == "archive-stale"]
    assert [one.message for one in stale] == [
        "trixie is planned from what was read 3 days ago",
        "trixie-updates is planned from what was read 3 days ago",
        "trixie-security is planned from what was read 3 days ago",
    ]
    assert {one.severity.value for one in stale} == {"note"}


def test_offline_with_an_empty_cache(opened: Opener) -> None:
    """There is nothing to plan from; the repair says what to do once."""
    with pytest.raises(IndexUnreachable) as caught:
        opened(offline=True)
    assert caught.value.why == "nothing of it is in the cache, and offline nobody is asked"
    assert caught.value.repair == ("the same command without --offline, once",)


def test_mirror_that_is_down_later(opened: Opener, mirror: DebianMirror) -> None:
    """What was read before serves, with a warning."""
    opened()
    mirror.statuses["/debian/dists/trixie/InRelease"] = [503] * 50
    reader = opened(now=NOW + 7200)
    assert isinstance(reader, DebianReader)
    (found,) = [one for one in reader.findings if one.rule == "archive-stale"]
    assert found.message == "trixie is planned from what was read 2 hours ago"
    assert found.severity.value == "warning"
    assert found.why == ("it answers 503, which asks to come back later (tried 3 times)",)


def test_nothing_answers(tmp_path: Path) -> None:
    """No server at all: one clear sentence, no address in it."""
    with pytest.raises(IndexUnreachable) as caught:
        debian_archive(
            System(mirror="http://127.0.0.1:9/debian"),
            root=tmp_path,
            environ={},
            folder=tmp_path / "cache",
            settings=AptSettings(),
            sleep=lambda _seconds: None,
        )
    assert "127.0.0.1" not in str(caught.value)
    assert caught.value.why == "nothing answers at its address (tried 3 times)"


def _day(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).date().isoformat()


@pytest.mark.parametrize(
    ("change", "rule", "message", "repair"),
    [
        (
            {"valid": NOW - 60},
            "archive-expired",
            f"trixie was valid until {_day(NOW - 60)}",
            ("another mirror under system: {mirror: ...}", "timedatectl   shows the clock"),
        ),
        (
            {"date": NOW + 3 * 86_400},
            "archive-date-odd",
            f"trixie was made on {_day(NOW + 3 * 86_400)}, which is in the future here",
            ("timedatectl",),
        ),
    ],
)
def test_dates(
    opened: Opener,
    mirror: DebianMirror,
    change: dict[str, float],
    rule: str,
    message: str,
    repair: tuple[str, ...],
) -> None:
    """Lists that are too old, or from the future."""
    mirror.add_suite("trixie", PACKAGES, **change)  # type: ignore[arg-type]
    reader = opened()
    assert isinstance(reader, DebianReader)
    (found,) = [one for one in reader.findings if one.rule == rule]
    assert (found.message, found.repair) == (message, repair)


def test_a_cache_whose_disk_has_another_clock(
    opened: Opener, mirror: DebianMirror, tmp_path: Path
) -> None:
    """What was just read is not taken for old, not even when the next list is read."""
    later = time.time() + 10 * 366 * 86_400
    reader = opened(now=later)
    assert isinstance(reader, DebianReader)
    assert reader.read([NAME("mosquitto")]).rows[NAME("mosquitto")].packages
    kept = set((tmp_path / "cache").glob("packages-*"))
    assert len(kept) == 3
    mirror.add_suite("trixie", PACKAGES.replace("2.0.21-1", "2.0.21-2"))
    opened(now=later + 7_200)
    assert kept < set((tmp_path / "cache").glob("packages-*"))


def test_dated_archive_may_be_old(opened: Opener, mirror: DebianMirror) -> None:
    """A snapshot is old on purpose; its security archive stands beside it."""
    stamp = "20250520T000000Z"
    mirror.add_suite("trixie", PACKAGES, root=f"/archive/debian/{stamp}", valid=NOW - 86_400 * 300)
    mirror.add_suite(
        "trixie-security", SECURITY, root=f"/archive/debian-security/{stamp}", valid=NOW - 1
    )
    archive = f"{mirror.url}/archive/debian"
    for system in (
        System(snapshot=f"{archive}/{stamp}"),
        System(snapshot="2025-05-20", mirror=archive),
        System(snapshot="2025-05-20T00:00Z", mirror=f"{archive}/"),
    ):
        reader = opened(system)
        assert isinstance(reader, DebianReader)
        assert reader.archive.suites == ("trixie", "trixie-security")
        assert "archive-expired" not in rules(reader)
    assert opened(System(snapshot="2025-05-20")) == (
        "system: {snapshot: 2025-05-20} names a day, and system: {mirror: ...} no archive of "
        "snapshots"
    )


def test_not_a_release_file(opened: Opener, mirror: DebianMirror) -> None:
    """A login page in the mirror's place."""
    mirror.files["/debian/dists/trixie/InRelease"] = b"<html>please log in</html>"
    with pytest.raises(IndexUnreachable, match="lists no SHA-256 of its files"):
        opened()


def test_source_priority_and_only(opened: Opener, mirror: DebianMirror) -> None:
    """Names under `only` come from that source alone, and it gives nothing else."""
    text = PACKAGES.replace("2.0.21-1", "9")
    mirror.add_suite("stable", text, root="/shore")
    source = Source(
        name="shore",
        url=f"{mirror.url}/shore",
        suites=("stable",),
        components=("main",),
        signed_by=None,
        priority=700,
        only=("mosquitto",),
        origin=HERE,
    )
    reader = opened(System(mirror=f"{mirror.url}/debian", sources=(source,)))
    assert isinstance(reader, DebianReader)
    rows = reader.read([NAME("mosquitto")]).rows
    assert [(one.version, one.source, one.pin) for one in rows[NAME("mosquitto")].packages] == [
        ("9", "shore", 700)
    ]
    assert {one.source for one in rows[NAME("libmosquitto1")].packages} == {""}


@pytest.mark.parametrize(
    ("more", "pin"),
    [
        ("", 500),
        ("NotAutomatic: yes\n", 1),
        ("NotAutomatic: yes\nButAutomaticUpgrades: yes\n", 100),
    ],
)
def test_default_priorities(opened: Opener, mirror: DebianMirror, more: str, pin: int) -> None:
    """apt_preferences(5), "APT's Default Priority Assignments"."""
    mirror.add_suite("trixie", PACKAGES, more=more)
    reader = opened()
    assert isinstance(reader, DebianReader)
    assert reader.archive.base[NAME("libc6")].pin == pin


def test_flat_archive(opened: Opener, mirror: DebianMirror) -> None:
    """A suite with a final slash has its index beside its Release file (sources.list(5))."""
    import hashlib

    body = SECURITY.encode()
    mirror.files["/flat/arm64/Packages"] = body
    mirror.files["/flat/arm64/InRelease"] = (
        f"Origin: Shore\nSHA256:\n {hashlib.sha256(body).hexdigest()} {len(body)} Packages\n"
    ).encode()
    source = Source(
        name="shore",
        url=f"{mirror.url}/flat",
        suites=("arm64/",),
        components=(),
        signed_by=None,
        origin=HERE,
    )
    reader = opened(System(mirror=f"{mirror.url}/debian", sources=(source,)))
    assert isinstance(reader, DebianReader)
    rows = reader.read([NAME("libmosquitto1")]).rows
    assert [one.source for one in rows[NAME("libmosquitto1")].packages] == ["", "", "shore"]


def test_what_is_provided_for_an_architecture_and_what_is_important(
    opened: Opener, mirror: DebianMirror
) -> None:
    """A provider stands in the row whatever architecture it names; apt guards Important as Protected."""
    import hashlib

    body = (
        b"Package: pilot\nVersion: 1\nArchitecture: arm64\nImportant: yes\n"
        b"Provides: helm-server:arm64 (= 2), helm-client\n"
    )
    mirror.files["/flat/arm64/Packages"] = body
    mirror.files["/flat/arm64/InRelease"] = (
        f"Origin: Shore\nSHA256:\n {hashlib.sha256(body).hexdigest()} {len(body)} Packages\n"
    ).encode()
    source = Source(
        name="shore",
        url=f"{mirror.url}/flat",
        suites=("arm64/",),
        components=(),
        signed_by=None,
        origin=HERE,
    )
    reader = opened(System(mirror=f"{mirror.url}/debian", sources=(source,)))
    assert isinstance(reader, DebianReader)
    rows = reader.read([NAME("helm-server"), NAME("helm-client")]).rows
    for virtual in ("helm-server", "helm-client"):
        (provider,) = rows[NAME(virtual)].providers
        assert (provider.name, provider.protected) == ("pilot", True)


def test_unknown_name_brings_near_ones_and_facts(opened: Opener) -> None:
    """A slip is met with the names that are near it; vendor names with what is known of them."""
    reader = opened()
    assert isinstance(reader, DebianReader)
    archive = reader.read([NAME("mosquito"), NAME("python3-picamera2")])
    assert archive.rows[NAME("mosquito")].near == ("mosquitto",)
    (fact,) = archive.name_facts[NAME("python3-picamera2")]
    assert fact.kind == "vendor"
    assert fact.source


STATUS = """\
Package: bash
Status: install ok installed
Essential: yes
Priority: required
Architecture: arm64
Version: 5.2.37-2
Depends: libc6

Package: gone
Status: deinstall ok config-files
Architecture: arm64
Version: 1

Package: other
Status: install ok installed
Architecture: armhf
Version: 1
"""


def test_status_file_is_the_base(opened: Opener, mirror: DebianMirror, tmp_path: Path) -> None:
    """Installed rows of the card's own machine type, complete in themselves (dpkg(1))."""
    (tmp_path / "card.status").write_text(STATUS)
    reader = opened(System(mirror=f"{mirror.url}/debian", base="card.status"))
    assert isinstance(reader, DebianReader)
    assert list(reader.archive.base) == ["bash"]
    assert reader.archive.base_complete
    assert reader.archive.base_foreign == {"other"}


@pytest.mark.parametrize(
    ("status", "there"),
    [
        ("install ok installed", ""),
        ("install  ok installed", ""),
        ("hold ok installed", "hold ok installed"),
        ("deinstall ok installed", "deinstall ok installed"),
        ("install ok unpacked", "install ok unpacked"),
        ("install ok half-configured", "install ok half-configured"),
        ("install ok triggers-awaited", "install ok triggers-awaited"),
        ("install reinstreq half-installed", "install reinstreq half-installed"),
        ("purge ok not-installed", None),
        ("deinstall ok config-files", None),
        ("unknown ok not-installed", None),
    ],
)
def test_states_of_dpkg(
    opened: Opener, mirror: DebianMirror, tmp_path: Path, status: str, there: str | None
) -> None:
    """dpkg(1), "Package states": of all but two something is unpacked, and apt counts it as there."""
    row = f"Package: x\nStatus: {status}\nArchitecture: arm64\nVersion: 1\n"
    (tmp_path / "card.status").write_text(f"{STATUS}\n{row}")
    reader = opened(System(mirror=f"{mirror.url}/debian", base="card.status"))
    assert isinstance(reader, DebianReader)
    found = reader.archive.base.get(DebianName("x"))
    assert (None if found is None else found.status) == there


@pytest.mark.parametrize(
    ("base", "message"),
    [
        ("absent", "absent cannot be read: no such file or directory"),
        ("../x", "robot.yaml cannot be read: ../x lies outside the robot's folder"),
        ("/etc/passwd", "robot.yaml cannot be read: /etc/passwd lies outside the robot's folder"),
        ("empty", "empty cannot be read: it lists no installed package"),
        ("armhf", "armhf cannot be read: its packages are of another machine type than arm64"),
    ],
)
def test_bad_status_file(
    opened: Opener, mirror: DebianMirror, tmp_path: Path, base: str, message: str
) -> None:
    """Exit status 2, with words."""
    (tmp_path / "empty").write_text("hello\n")
    (tmp_path / "armhf").write_text(STATUS.replace("arm64", "armhf"))
    (tmp_path / "robot").mkdir()
    system = System(mirror=f"{mirror.url}/debian", base=base, places={"base": HERE})
    with pytest.raises(UnreadableFile) as caught:
        opened(system)
    assert str(caught.value) == message


def test_key_outside_the_robots_folder_is_not_read(
    opened: Opener, mirror: DebianMirror, tmp_path: Path
) -> None:
    """A relative key path may not climb out; the archive then counts as unverified."""
    source = Source(
        name="shore",
        url=f"{mirror.url}/debian",
        suites=("trixie",),
        components=("main",),
        signed_by="../../etc/hostname",
        origin=HERE,
    )
    reader = opened(System(mirror=f"{mirror.url}/debian", sources=(source,)))
    assert isinstance(reader, DebianReader)
    found = next(one for one in reader.findings if one.resource == "shore trixie")
    assert found.why == ("no key of this archive is known on this machine",)


def test_several_at_once(mirror: DebianMirror, tmp_path: Path) -> None:
    """Many openings into one cache folder end alike and leave no part behind."""
    results: list[object] = []

    def one() -> None:
        reader = debian_archive(
            System(mirror=f"{mirror.url}/debian"),
            root=tmp_path,
            environ={},
            folder=tmp_path / "cache",
            settings=AptSettings(),
            now=lambda: NOW,
        )
        assert isinstance(reader, DebianReader)
        results.append(reader.read([NAME("mosquitto")]).rows[NAME("mosquitto")])
        reader.close()

    threads = [threading.Thread(target=one) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(results) == 6
    assert len(set(map(repr, results))) == 1
    assert not list((tmp_path / "cache").glob("*.part"))


def test_cache_that_cannot_be_written(mirror: DebianMirror, tmp_path: Path) -> None:
    """A file where the folder should be: the run goes on without keeping anything."""
    (tmp_path / "cache").write_text("")
    reader = debian_archive(
        System(mirror=f"{mirror.url}/debian"),
        root=tmp_path,
        environ={},
        folder=tmp_path / "cache",
        settings=AptSettings(),
        now=lambda: NOW,
    )
    assert isinstance(reader, DebianReader)
    assert reader.read([NAME("mosquitto")]).rows[NAME("mosquitto")].packages
    reader.close()


def test_damaged_cache_is_read_anew(opened: Opener, tmp_path: Path) -> None:
    """A kept Release file that is no longer one is as good as none."""
    opened()
    for path in (tmp_path / "cache").glob("release-*.json"):
        path.write_text('{"text": 3}')
    assert isinstance(opened(), DebianReader)


def test_damaged_index_is_built_anew(opened: Opener, tmp_path: Path) -> None:
    """A parsed index that is no database is parsed again."""
    opened()
    for path in (tmp_path / "cache").glob("packages-*.sqlite"):
        path.write_bytes(b"no database")
    reader = opened()
    assert isinstance(reader, DebianReader)
    assert reader.read([NAME("mosquitto")]).rows[NAME("mosquitto")].packages


def test_progress_and_address_with_password(mirror: DebianMirror, tmp_path: Path) -> None:
    """Steps are told without the address; a password in it goes to the server alone."""
    told: list[tuple[int, int, str]] = []
    address = mirror.url.replace("http://", "http://user:secret@")
    reader = debian_archive(
        System(mirror=f"{address}/debian"),
        root=tmp_path,
        environ={},
        folder=tmp_path / "cache",
        settings=AptSettings(),
        progress=lambda done, known, label: told.append((done, known, label)),
        now=lambda: NOW,
    )
    assert isinstance(reader, DebianReader)
    reader.close()
    assert sorted(one[2] for one in told) == ["trixie", "trixie-security", "trixie-updates"]
    for path in (tmp_path / "cache").iterdir():
        assert b"secret" not in path.read_bytes()
