"""The cache: kept, shared, healed, and never in the way."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from robokit_plan.edge.cache import Cache, cache_file


def test_the_folder_is_the_users_unless_the_variable_names_one(tmp_path: Path) -> None:
    """``ROBOKIT_PLAN_CACHE`` overrides; an empty value does not."""
    named = cache_file({"ROBOKIT_PLAN_CACHE": str(tmp_path)})
    assert named.parent == tmp_path
    assert cache_file({"ROBOKIT_PLAN_CACHE": ""}).name == named.name
    assert "robokit-plan" in str(cache_file({}))


@pytest.mark.parametrize("value", [b"", b"short", b"long " * 10_000, os.urandom(5_000)])
def test_a_value_comes_back_as_it_was_put_in_the_next_run(tmp_path: Path, value: bytes) -> None:
    """Whatever its size and whether or not packing pays."""
    path = tmp_path / "deep" / "cache.sqlite"
    with Cache(path, clock=lambda: 1234.5) as cache:
        assert cache.get("page-1", "numpy") is None
        cache.put("page-1", "numpy", value)
        assert cache.persistent
    with Cache(path) as cache:
        assert cache.entry("page-1", "numpy") == (value, 1234.5)
        assert cache.get("page-2", "numpy") is None


def test_text_that_repeats_takes_little_room(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    with Cache(path) as cache:
        cache.put("page-1", "x", b"0123456789" * 100_000)
    assert path.stat().st_size < 100_000


def test_many_are_read_at_once_in_the_order_asked(tmp_path: Path) -> None:
    """More than SQLite takes in one query; repeats and absent keys do no harm."""
    with Cache(tmp_path / "cache.sqlite") as cache:
        cache.put_many(("m", str(n), str(n).encode()) for n in range(1200))
        asked = [str(n) for n in (1199, 3, 3, 5000, 700)]
        assert list(cache.get_many("m", asked)) == ["1199", "3", "700"]
        assert len(cache.get_many("m", map(str, range(2000)))) == 1200


def test_without_a_path_it_is_memory() -> None:
    cache = Cache(None)
    cache.put("a", "b", b"c")
    assert cache.get("a", "b") == b"c"
    assert not cache.persistent


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"not a database, but long enough to be taken for one" * 100,
        b"SQLite format 3\x00" + b"\xff" * 5000,
    ],
)
def test_a_broken_file_is_moved_aside_and_begun_anew(tmp_path: Path, damage: bytes) -> None:
    """A file that was torn by a power cut costs only what it held."""
    path = tmp_path / "cache.sqlite"
    path.write_bytes(damage)
    with Cache(path) as cache:
        assert cache.get("a", "b") is None
        cache.put("a", "b", b"c")
        assert cache.persistent
    with Cache(path) as cache:
        assert cache.get("a", "b") == b"c"
    if damage:
        assert path.with_suffix(".broken").read_bytes() == damage


def test_pages_damaged_within_heal_too(tmp_path: Path) -> None:
    """The header is sound, the rows are not: found only on reading."""
    path = tmp_path / "cache.sqlite"
    with Cache(path) as cache:
        cache.put_many(("k", str(n), os.urandom(3000)) for n in range(200))
    body = bytearray(path.read_bytes())
    body[4096:] = b"\x5a" * (len(body) - 4096)
    path.write_bytes(bytes(body))
    with Cache(path) as cache:
        assert cache.get_many("k", map(str, range(200))) == {}
        cache.put("k", "1", b"new")
        assert cache.get("k", "1") == b"new"
        assert cache.persistent


def test_another_programs_database_is_not_written_into(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("CREATE TABLE theirs (x)")
    with Cache(path) as cache:
        cache.put("a", "b", b"c")
        assert cache.get("a", "b") == b"c"
    kept = sqlite3.connect(path.with_suffix(".broken"))
    assert kept.execute("SELECT name FROM sqlite_master").fetchall() == [("theirs",)]
    kept.close()


def test_a_table_that_is_gone_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    with Cache(path) as cache:
        cache.put("a", "b", b"c")
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("DROP TABLE entry")
    with Cache(path) as cache:
        assert cache.get("a", "b") is None
        cache.put("a", "b", b"d")
        assert cache.get("a", "b") == b"d"


def test_a_row_that_cannot_be_unpacked_is_absent(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    with Cache(path) as cache:
        cache.put("a", "b", b"long " * 1000)
        cache.put("a", "c", b"sound")
    with closing(sqlite3.connect(path)) as other, other:
        other.execute("UPDATE entry SET value=? WHERE key='b'", (b"x\x9cgarbage",))
    with Cache(path) as cache:
        assert list(cache.get_many("a", ("b", "c"))) == ["c"]


def test_where_the_folder_is_a_file_memory_takes_its_place(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    cache = Cache(tmp_path / "file" / "cache.sqlite")
    cache.put("a", "b", b"c")
    assert cache.get("a", "b") == b"c"
    assert not cache.persistent


def test_a_file_that_may_only_be_read_is_read(tmp_path: Path) -> None:
    """
    As on a mounted card or another user's folder; what is new stays in memory.

    Run as nobody where this test runs as root, whom permissions do not stop.
    """
    folder = tmp_path / "shared"
    path = folder / "cache.sqlite"
    with Cache(path) as cache:
        cache.put("a", "old", b"kept")
    program = (
        "import os, sqlite3, sys, urllib.parse; from pathlib import Path\n"
        "import robokit_plan.edge.cache as module\n"
        "os.geteuid() or os.setuid(65534)\n"
        "cache = module.Cache(Path(sys.argv[1]))\n"
        "cache.put('a', 'new', b'x')\n"
        "print(cache.get('a', 'old'), cache.get('a', 'new'), cache.persistent)\n"
    )
    for one in (tmp_path, *tmp_path.parents):
        if one.stat().st_uid == os.geteuid() and str(one).startswith("/tmp/"):
            one.chmod(0o755)
    path.chmod(0o444)
    folder.chmod(0o555)
    try:
        done = subprocess.run(
            [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True
        )
    finally:
        folder.chmod(0o755)
    assert done.stdout == "b'kept' b'x' False\n"


def test_a_full_disk_ends_no_run(tmp_path: Path) -> None:
    """SQLite's own limit on pages stands for the disk."""
    path = tmp_path / "cache.sqlite"
    with Cache(path) as cache:
        cache.put("a", "old", b"kept")
        assert cache._disk is not None
        cache._disk.execute("PRAGMA max_page_count=8")
        cache.put("a", "new", os.urandom(1_000_000))
        assert not cache.persistent
        assert cache.get("a", "old") == b"kept"
        assert len(cache.get("a", "new") or b"") == 1_000_000


def test_two_processes_and_many_threads_write_at_once(tmp_path: Path) -> None:
    """Nothing is lost and nobody fails, from an empty folder on."""
    path = tmp_path / "cache.sqlite"
    program = (
        "import sys; from pathlib import Path; from robokit_plan.edge.cache import Cache\n"
        "with Cache(Path(sys.argv[1])) as cache:\n"
        "    for n in range(60): cache.put('k', sys.argv[2] + str(n), b'v' * n)\n"
        "    assert cache.persistent\n"
    )
    others = [subprocess.Popen([sys.executable, "-c", program, str(path), name]) for name in "pq"]
    with Cache(path) as cache:

        def write(name: str) -> None:
            for n in range(60):
                cache.put("k", f"{name}{n}", b"v" * n)

        threads = [threading.Thread(target=write, args=(name,)) for name in "rs"]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert [other.wait() for other in others] == [0, 0]
        keys = [f"{name}{n}" for name in "pqrs" for n in range(60)]
        assert len(cache.get_many("k", keys)) == 240


def test_what_was_stored_longest_ago_goes_when_it_grows_too_large(tmp_path: Path) -> None:
    path = tmp_path / "cache.sqlite"
    now = [0.0]
    with Cache(path, clock=lambda: now[0], limit=1_000_000) as cache:
        for number in range(20):
            now[0] = float(number)
            cache.put("k", str(number), os.urandom(100_000))
    assert path.stat().st_size < 1_000_000
    with Cache(path) as cache:
        left = cache.get_many("k", map(str, range(20)))
        assert "19" in left
        assert "0" not in left


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(
        st.tuples(st.sampled_from("ab"), st.text(max_size=5), st.binary(max_size=2000)), max_size=12
    )
)
def test_it_behaves_as_a_dictionary(tmp_path: Path, items: list[tuple[str, str, bytes]]) -> None:
    """Whatever is put, in whatever order: the last one counts, also after closing."""
    items = [(kind, key.encode("utf-8", "ignore").decode(), value) for kind, key, value in items]
    path = tmp_path / "cache.sqlite"
    path.unlink(missing_ok=True)
    expected = {}
    with Cache(path) as cache:
        for kind, key, value in items:
            cache.put(kind, key, value)
            expected[kind, key] = value
    with Cache(path) as cache:
        assert {pair: cache.get(*pair) for pair in expected} == expected
