"""What may stand in a line of a system file, against the standards' own examples and readers."""

from __future__ import annotations

import base64
import binascii
import hashlib
import posixpath
from collections.abc import Callable

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from packaging.utils import canonicalize_name, is_normalized_name

from robokit_plan.model import (
    is_archive_address,
    is_archive_word,
    is_base64,
    is_boot_command,
    is_boot_file,
    is_debian_name,
    is_debian_version,
    is_keyring,
    is_machine_name,
    is_module_name,
    is_plain_line,
    is_python_name,
    is_relative_path,
    is_sha256,
    is_udev_rule,
    is_variable_name,
)

FITS: dict[Callable[[str], bool], str] = {
    is_archive_address: "https://mirror.example/debian",
    is_archive_word: "trixie-updates",
    is_boot_command: "FK_FORCE=yes /etc/kernel/postinst.d/zz-flash",
    is_boot_file: "/boot/firmware/config.txt",
    is_debian_name: "libc6",
    is_debian_version: "4:14.2.0-1",
    is_keyring: "/usr/share/keyrings/debian-archive-keyring.gpg",
    is_machine_name: "dialout",
    is_module_name: "os.path",
    is_plain_line: "anything at all",
    is_python_name: "friendly-bard",
    is_relative_path: "models/voice.onnx",
    is_sha256: hashlib.sha256(b"abc").hexdigest(),
    is_udev_rule: 'SUBSYSTEM=="tty", ATTRS{idVendor}=="2e8a", SYMLINK+="fin"',
    is_variable_name: "SHORE_TOKEN",
}


@pytest.mark.parametrize("fits", FITS, ids=lambda one: one.__name__)
def test_a_plain_example_fits_and_nothing_hidden_in_it_does(fits: Callable[[str], bool]) -> None:
    """Line ends and control characters start a second line, or move a cursor, wherever they stand."""
    text = FITS[fits]
    assert fits(text)
    assert not fits("")
    for hidden in ("\n", "\r", "\x00", "\x1b", "\u2028", "\u202e"):
        for place in range(len(text) + 1):
            assert not fits(text[:place] + hidden + text[place:]), (hidden, place)


@pytest.mark.parametrize("text", ["", "f", "fo", "foo", "foob", "fooba", "foobar"])
def test_base64_of_the_standards_vectors(text: str) -> None:
    """Source: RFC 4648, section 10."""
    assert is_base64(base64.b64encode(text.encode()).decode())


@given(st.text("AZaz09+/=-_\n", max_size=9))
def test_base64_is_what_the_library_decodes(text: str) -> None:
    try:
        base64.b64decode(text, validate=True)
    except binascii.Error:
        assert not is_base64(text)
    else:
        # The library takes padding in the middle of a text; section 3.3 of the standard does not.
        assert is_base64(text) is ("=" not in text.rstrip("=") and len(text) % 4 == 0)


@pytest.mark.parametrize(
    "text",
    ["Friendly-Bard", "FRIENDLY-BARD", "friendly.bard", "friendly_bard", "friendly--bard"],
)
def test_a_python_name_is_normalised(text: str) -> None:
    """Source: Python packaging user guide, specification "Names and normalization", its examples."""
    assert not is_python_name(text)
    assert is_python_name(canonicalize_name(text))


@given(st.text("aZ09-_.", max_size=8))
def test_a_python_name_is_what_the_library_calls_normalised(text: str) -> None:
    # The library's own pattern lets two hyphens in a row through, which the specification does not.
    assert is_python_name(text) is (
        bool(text) and is_normalized_name(text) and canonicalize_name(text) == text
    )


@given(st.lists(st.text("aZ_0é-", max_size=4), min_size=1, max_size=3))
@example(["os", "path"])
@example(["os", ""])
def test_a_module_is_named_by_identifiers_of_ascii(parts: list[str]) -> None:
    """Source: Python's own `str.isidentifier`."""
    expected = all(part.isidentifier() and part.isascii() for part in parts)
    assert is_module_name(".".join(parts)) is expected


@given(st.lists(st.sampled_from(["a", "b c", ".", "..", "", "-x", "a\\b", "..."]), max_size=4))
def test_a_relative_path_stays_below_and_is_written_one_way(parts: list[str]) -> None:
    text = "/".join(parts)
    plain = posixpath.normpath(text) == text and text not in {"", ".", ".."}
    below = not text.startswith(("/", "../"))
    safe = "\\" not in text and not text.startswith("-")
    assert is_relative_path(text) is (plain and below and safe)


@pytest.mark.parametrize(
    ("name", "good"),
    [
        ("g++", True),  # Debian Policy 5.6.1: a-z, 0-9, + - . ; two characters, begins alphanumeric
        ("libstdc++-14-dev", True),
        ("0ad", True),
        ("x", False),
        ("-x", False),
        ("+x", False),
        ("Libc6", False),
        ("lib_c", False),
        ("libc6:arm64", False),
        ("libc6=1", False),
    ],
)
def test_debian_names(name: str, good: bool) -> None:
    assert is_debian_name(name) is good


@pytest.mark.parametrize(
    ("version", "good"),
    [
        (
            "1.0",
            True,
        ),  # Debian Policy 5.6.12; deb-version(7): the upstream part begins with a digit
        ("1:2.3~rc1+dfsg-4+b1", True),
        ("a:1", False),
        (":1", False),
        ("1 2", False),
        ("1;reboot", False),
        ("$(id)", False),
        ("-1", False),
    ],
)
def test_debian_versions(version: str, good: bool) -> None:
    assert is_debian_version(version) is good


@pytest.mark.parametrize(
    ("check", "text"),
    [
        (is_variable_name, "2FAST"),  # POSIX.1-2017, 8.1: does not begin with a digit
        (is_variable_name, "A-B"),
        (is_variable_name, "A=B"),
        (is_machine_name, "-g"),  # would be read as an option
        (is_machine_name, "a b"),
        (is_machine_name, "a/b"),
        (is_boot_file, "/etc/passwd"),
        (is_boot_file, "/boot/../etc/passwd"),
        (is_boot_file, "/boot/overlays/x.dtbo"),
        (is_boot_file, "/boot/"),
        (is_boot_command, "/bin/sh /etc/kernel/postinst.d/x"),
        (is_boot_command, "/etc/kernel/postinst.d/x; reboot"),
        (is_boot_command, "/etc/kernel/postinst.d/../x"),
        (is_archive_word, "../etc"),
        (is_archive_word, "dists/../etc"),
        (is_archive_word, "trixie main"),
        (is_archive_word, "/trixie"),
        (is_archive_address, "ftp://mirror.example/debian"),
        (is_archive_address, "https://mirror.example/a b"),
        (is_archive_address, "https://mirror.example/$(id)"),
        (is_archive_address, "https://mirror.example/[trusted=yes]"),
        (is_keyring, "/etc/passwd"),
        (is_keyring, "/usr/share/keyrings/../x.gpg"),
        (is_keyring, "/usr/share/keyrings/"),
        (is_sha256, hashlib.sha256(b"abc").hexdigest().upper()),
        (is_sha256, hashlib.sha1(b"abc").hexdigest()),
        (is_udev_rule, 'SUBSYSTEM=="tty", RUN+="/bin/sh"'),  # udev(7): runs a program
        (is_udev_rule, 'PROGRAM=="/bin/sh"'),
        (is_udev_rule, 'IMPORT{program}="/bin/sh"'),
        (is_udev_rule, 'SUBSYSTEM=="tty" SYMLINK+="fin"'),
        (is_udev_rule, 'SYMLINK+="../fin"'),
        (is_udev_rule, 'OPTIONS+="static_node=a/../b"'),
    ],
)
def test_what_would_do_more_than_its_name_says(check: Callable[[str], bool], text: str) -> None:
    assert not check(text)


@pytest.mark.parametrize(
    ("check", "text"),
    [
        (is_archive_word, "non-free-firmware"),
        (is_archive_word, "dists/trixie..x"),
        (is_archive_address, "file:/srv/debian"),
        (is_machine_name, "getty@tty1.service"),
        (is_keyring, "/etc/apt/keyrings/own.asc"),
        (is_udev_rule, 'KERNEL=="ttyACM*", GROUP="dialout", MODE="0660"'),
        (is_plain_line, "mast – 3 m"),
        (is_relative_path, "a..b/.c/d e"),
    ],
)
def test_what_only_looks_odd(check: Callable[[str], bool], text: str) -> None:
    assert check(text)
