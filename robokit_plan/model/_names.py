"""
Which strings may stand where a line of a system file or an argument is built from them.

Manifests and lock files come from strangers; reading refuses what fails here, and so does
rendering, which must never rely on who made its input.
"""

from __future__ import annotations

import re
import unicodedata

# Debian Policy 5.6.1 and 5.6.12; a colon only after an epoch.
_DEBIAN_NAME = re.compile(r"[a-z0-9][a-z0-9+.\-]+", re.ASCII)
_DEBIAN_VERSION = re.compile(r"(?:[0-9]+:)?[0-9A-Za-z][0-9A-Za-z.+~\-]*", re.ASCII)
# PEP 503, already normalised.
_PYTHON_NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*", re.ASCII)
# useradd(8), systemd.unit(5) and kernel modules; the first character can start no option.
_MACHINE_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.@:\-]*", re.ASCII)
# POSIX.1-2017, 8.1: portable names of variables.
_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)
# Files that name what the firmware, the boot loader or the kernel is told, and nothing else.
_BOOT_FILE = re.compile(
    r"/(?:boot|boot/firmware|boot/extlinux|etc/default|etc/kernel)/[A-Za-z0-9_][A-Za-z0-9_.-]*",
    re.ASCII,
)
# run-parts(8): hooks of kernel packages, the one kind of command that facts may name.
_BOOT_COMMAND = re.compile(
    r"(?:[A-Z_]+=[A-Za-z0-9_-]+ )*/etc/kernel/postinst\.d/[A-Za-z0-9_-]+", re.ASCII
)
# sources.list(5): what stands in a line of it, and where packages put keyrings.
_ARCHIVE_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9+./_-]*", re.ASCII)
_ARCHIVE_ADDRESS = re.compile(r"(?:https?|file|copy):/[^\s\\'\"`$#\[\]]+")
_KEYRING = re.compile(r"/(?:usr/share|etc/apt)/keyrings/[A-Za-z0-9_][A-Za-z0-9_.+-]*", re.ASCII)
_BASE64 = re.compile(r"(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?", re.ASCII)
# Python language reference, 2.3.1; manifests declare names in ASCII.
_MODULE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)*", re.ASCII)
# udev(7): keys that match, and of those that set only what names, marks or opens a device.
_UDEV_PAIR = (
    r"(?:(?:ACTION|SUBSYSTEMS?|KERNELS?|DRIVERS?|ENV\{[A-Z0-9_]+\}|ATTRS?\{[A-Za-z0-9_/]+\})"
    r'(?:==|!=)"[^"\\$%\x00-\x1f\x7f]*"'
    r'|(?:SYMLINK|TAG)\+?="[A-Za-z0-9_./-]+"|(?:GROUP|MODE)="[A-Za-z0-9_-]+"'
    r'|ENV\{(?:ID_MM_DEVICE_IGNORE|ID_MM_PORT_IGNORE|BRLTTY_BRAILLE_DRIVER)\}="[01]?"'
    r'|ENV\{SYSTEMD_WANTS\}=""|OPTIONS\+?="(?:static_node=[A-Za-z0-9_/-]+|link_priority=[0-9-]+)")'
)
_UDEV_RULE = re.compile(rf"{_UDEV_PAIR}(?:, ?{_UDEV_PAIR})*", re.ASCII)
_SHA256 = re.compile(r"[0-9a-f]{64}", re.ASCII)


def is_debian_name(text: str) -> bool:
    """Whether *text* is a binary package name (Debian Policy 5.6.1)."""
    return _DEBIAN_NAME.fullmatch(text) is not None


def is_debian_version(text: str) -> bool:
    """Whether *text* is a version (Debian Policy 5.6.12)."""
    return _DEBIAN_VERSION.fullmatch(text) is not None


def is_python_name(text: str) -> bool:
    """Whether *text* is a normalised distribution name (PEP 503)."""
    return _PYTHON_NAME.fullmatch(text) is not None


def is_machine_name(text: str) -> bool:
    """Whether *text* can name a group, user, service unit or kernel module."""
    return _MACHINE_NAME.fullmatch(text) is not None


def is_variable_name(text: str) -> bool:
    """Whether *text* names an environment variable portably."""
    return _VARIABLE.fullmatch(text) is not None


def is_boot_file(text: str) -> bool:
    """Whether *text* names a file with boot settings, so that no lock file reaches another one."""
    return _BOOT_FILE.fullmatch(text) is not None


def is_boot_command(text: str) -> bool:
    """Whether *text* is a hook of the kernel packages, with plain variables before it at most."""
    return _BOOT_COMMAND.fullmatch(text) is not None


def is_archive_word(text: str) -> bool:
    """Whether *text* can be a suite or component in apt's sources."""
    return _ARCHIVE_WORD.fullmatch(text) is not None and ".." not in text.split("/")


def is_archive_address(text: str) -> bool:
    """Whether *text* is the address of an archive, one word wherever it is written."""
    return is_plain_line(text) and _ARCHIVE_ADDRESS.fullmatch(text) is not None


def is_keyring(text: str) -> bool:
    """Whether *text* names a keyring where packages install them."""
    return _KEYRING.fullmatch(text) is not None


def is_base64(text: str) -> bool:
    """Whether *text* is base64 on one line (RFC 4648, section 4)."""
    return _BASE64.fullmatch(text) is not None


def is_module_name(text: str) -> bool:
    """Whether *text* can stand behind ``import``."""
    return _MODULE.fullmatch(text) is not None


def is_udev_rule(text: str) -> bool:
    """Whether *text* is a rule of udev(7) that names, marks or opens devices, and runs nothing."""
    return is_plain_line(text) and _UDEV_RULE.fullmatch(text) is not None and ".." not in text


def is_sha256(text: str) -> bool:
    """Whether *text* is a SHA-256 in lower-case hexadecimal."""
    return _SHA256.fullmatch(text) is not None


def is_plain_line(text: str) -> bool:
    """Whether *text* is one line with nothing in it that a terminal or a file would act on."""
    return bool(text.strip()) and not any(
        unicodedata.category(one) in {"Cc", "Cf", "Cs", "Zl", "Zp"} for one in text
    )


def is_relative_path(text: str) -> bool:
    """Whether *text* is a POSIX path that stays below the folder it is joined to."""
    parts = text.split("/")
    return (
        is_plain_line(text)
        and "\\" not in text
        and all(part not in {"", ".", ".."} for part in parts)
        and not text.startswith("-")
    )
