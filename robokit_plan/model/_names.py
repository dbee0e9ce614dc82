"""
Which strings may stand where a line of a system file or an argument is built from them.

Manifests and lock files come from strangers; reading refuses what fails here, and so does
rendering, which must never rely on who made its input. Each alphabet is a regular expression that
Python and ECMA-262 read alike, so a published schema says what a reader does.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final


class Alphabet:
    """
    A set of strings: a pattern, and what its members are called in a message.

    `pattern` has no anchors, no class that depends on a locale, and is compiled when it
    is used first.
    """

    __slots__ = ("_match", "name", "pattern", "words")

    def __init__(self, name: str, pattern: str, words: str) -> None:
        self.name = name
        self.pattern = pattern
        self.words = words
        self._match: Callable[[str], object] = self._compile

    def _compile(self, text: str) -> object:
        self._match = re.compile(self.pattern).fullmatch
        return self._match(text)

    @property
    def anchored(self) -> str:
        """The pattern for a search, such as JSON Schema's: it must be the whole text."""
        return f"^(?:{self.pattern}){_END}"

    def fits(self, text: str) -> bool:
        """Whether *text* is a member."""
        return self._match(text) is not None


# Unicode categories Cc, Cf, Cs, Zl, Zp: what a terminal or a file would act on. Those beyond the
# first plane stand as themselves, since the two dialects escape them differently.
_UNSAFE: Final = (
    r"\x00-\x1f\x7f-\x9f\xad\u0600-\u0605\u061c\u06dd\u070f\u0890\u0891\u08e2\u180e\u200b-\u200f"
    r"\u2028-\u202e\u2060-\u2064\u2066-\u206f\ud800-\udfff\ufeff\ufff9-\ufffb"
    "\U000110bd\U000110cd\U00013430-\U0001343f\U0001bca0-\U0001bca3\U0001d173-\U0001d17a"
    "\U000e0001\U000e0020-\U000e007f"
)
# Category Zs
_BLANK: Final = r" \xa0\u1680\u2000-\u200a\u202f\u205f\u3000"
# `$` of Python stands before a last line break too.
_END: Final = r"(?![\s\S])"
_LINE: Final = rf"[{_BLANK}]*[^{_UNSAFE}{_BLANK}][^{_UNSAFE}]*"
_STEP: Final = rf"(?!\.{{1,2}}(?:/|{_END}))[^{_UNSAFE}/\\]+"

PLAIN_LINE: Final = Alphabet("line", _LINE, "one line of text")
"""Not blank, and nothing in it that a terminal or a file would act on."""
RELATIVE_PATH: Final = Alphabet(
    "relative-path",
    rf"(?=[^{_UNSAFE}]*[^{_UNSAFE}{_BLANK}])(?!-){_STEP}(?:/{_STEP})*",
    "a path below a folder",
)
"""A POSIX path that stays below the folder it is joined to."""
DEBIAN_NAME: Final = Alphabet("debian-name", r"[a-z0-9][a-z0-9+.\-]+", "a Debian package name")
"""Debian Policy 5.6.1."""
DEBIAN_VERSION: Final = Alphabet(
    "debian-version", r"(?:[0-9]+:)?[0-9A-Za-z][0-9A-Za-z.+~\-]*", "a Debian version"
)
"""Debian Policy 5.6.12; a colon only after an epoch."""
PYTHON_NAME: Final = Alphabet(
    "python-name", r"[a-z0-9]+(?:-[a-z0-9]+)*", "a normalised name (PEP 503)"
)
MACHINE_NAME: Final = Alphabet(
    "machine-name", r"[A-Za-z0-9_][A-Za-z0-9_.@:\-]*", "a name of the system"
)
"""useradd(8), systemd.unit(5) and kernel modules; the first character can start no option."""
NAME: Final = Alphabet("name", r"[a-z][a-z0-9]*(?:-[a-z0-9]+)*", "a name")
"""What manifests and robot files name: plugins, instances, claims, roles."""
VARIABLE_NAME: Final = Alphabet(
    "variable-name",
    r"(?!LD_|DYLD_|BASH|PYTHON|PIP_|PERL|RUBY|NODE_|GIT_|GCONV_|APT_|DPKG_"
    r"|(?:PATH|IFS|ENV|HOME|SHELL|SHELLOPTS|PS[0-9]|CDPATH|TMPDIR|LOCPATH|NLSPATH|TERMINFO|TZDIR"
    rf"|HOSTALIASES|RES_OPTIONS){_END})[A-Za-z_][A-Za-z0-9_]*",
    "a name of an environment variable",
)
"""
POSIX.1-2017, 8.1: portable names of variables; none of those by which ld.so(8), sh(1), Python, pip,
apt or the C library (environ(7)) are led to other files.
"""
BOOT_FILE: Final = Alphabet(
    "boot-file",
    r"/(?:boot|boot/firmware|boot/extlinux|etc/default|etc/kernel)/[A-Za-z0-9_][A-Za-z0-9_.\-]*",
    "a file with boot settings",
)
"""What the firmware, the boot loader or the kernel is told, so no lock file reaches another one."""
BOOT_COMMAND: Final = Alphabet(
    "boot-command",
    r"(?:[A-Z_]+=[A-Za-z0-9_\-]+ )*/etc/kernel/postinst\.d/[A-Za-z0-9_\-]+",
    "a hook of the kernel packages",
)
"""run-parts(8), with plain variables before it: the one kind of command that facts may name."""
_BOOT: Final = r"A-Za-z0-9_.,:=+/@*\-"
BOOT_TEXT: Final = Alphabet(
    "boot-text", rf"[{_BOOT}](?:[{_BOOT}#\" ]*[{_BOOT}\"])?", "a line for the boot files"
)
"""Nothing by which a shell that reads the file would run something, and no second line."""
KERNEL_WORD: Final = Alphabet("kernel-word", rf"[{_BOOT}]+", "a word for the kernel")
"""One word of the kernel's command line (kernel-parameters.rst)."""
DEFAULT_SETTING: Final = Alphabet(
    "default-setting",
    rf"[A-Za-z_][A-Za-z0-9_.]*=(?:[{_BOOT}]*|\"[{_BOOT} ]*\")",
    "a setting NAME=value",
)
"""A line of a file under /etc/default, which shells read: an assignment and no more."""
ARCHIVE_WORD: Final = Alphabet(
    "archive-word",
    rf"[A-Za-z0-9][A-Za-z0-9+._\-]*(?:/(?!\.\.(?:/|{_END}))[A-Za-z0-9+._\-]*)*",
    "a suite or component of an archive",
)
"""sources.list(5): what stands in a line of it."""
ARCHIVE_ADDRESS: Final = Alphabet(
    "archive-address",
    rf"(?:https?|file|copy):/[^{_UNSAFE}{_BLANK}\\'\"`$#\[\]]+",
    "an address of an archive",
)
"""One word wherever it is written."""
ADDRESS: Final = Alphabet(
    "address",
    rf"[^{_UNSAFE}{_BLANK};\\'\"]+",
    "an address without blanks and quotes",
)
"""One word of a requirement of pip."""
WEB_ADDRESS: Final = Alphabet("web-address", r"https?://[!-~]+", "an address of the web")
"""RFC 3986 has no other characters; no `file:`, which would be this machine's."""
KEYRING: Final = Alphabet(
    "keyring",
    r"/(?:usr/share|etc/apt)/keyrings/[A-Za-z0-9_][A-Za-z0-9_.+\-]*",
    "a keyring of a package",
)
"""Where packages install them."""
BASE64: Final = Alphabet(
    "base64",
    r"(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?",
    "base64",
)
"""On one line (RFC 4648, section 4)."""
MODULE_NAME: Final = Alphabet(
    "module-name", r"[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)*", "an import name"
)
"""Python language reference, 2.3.1; manifests declare names in ASCII."""
# udev(7): keys that match, and of those that set only what names, marks or opens a device.
_UDEV_PAIR: Final = (
    r"(?:(?:ACTION|SUBSYSTEMS?|KERNELS?|DRIVERS?|ENV\{[A-Z0-9_]+\}|ATTRS?\{[A-Za-z0-9_/]+\})"
    rf'(?:==|!=)"[^"\\$%{_UNSAFE}]*"'
    r'|(?:SYMLINK|TAG)\+?="[A-Za-z0-9_./\-]+"|(?:GROUP|MODE)="[A-Za-z0-9_\-]+"'
    r'|ENV\{(?:ID_MM_DEVICE_IGNORE|ID_MM_PORT_IGNORE|BRLTTY_BRAILLE_DRIVER)\}="[01]?"'
    r'|ENV\{SYSTEMD_WANTS\}=""'
    r'|OPTIONS\+?="(?:static_node=[A-Za-z0-9_/\-]+|link_priority=[0-9\-]+)")'
)
UDEV_RULE: Final = Alphabet(
    "udev-rule",
    rf"(?![^{_UNSAFE}]*\.\.){_UDEV_PAIR}(?:, ?{_UDEV_PAIR})*",
    "a udev rule that runs nothing",
)
"""A rule of udev(7) that names, marks or opens devices."""
SHA256: Final = Alphabet("sha256", r"[0-9a-f]{64}", "a sha-256 in lower-case hexadecimal")
COMMAND: Final = Alphabet(
    "command",
    rf"(?={_LINE}{_END})(?:[^'\"\\]|\\[\s\S]|'[^']*'|\"(?:[^\"\\]|\\[\s\S])*\")+",
    "a command with closed quotes",
)
"""One line of words as a shell splits them; no character has another meaning (no shell runs it)."""

is_plain_line = PLAIN_LINE.fits
is_relative_path = RELATIVE_PATH.fits
is_debian_name = DEBIAN_NAME.fits
is_debian_version = DEBIAN_VERSION.fits
is_python_name = PYTHON_NAME.fits
is_machine_name = MACHINE_NAME.fits
is_variable_name = VARIABLE_NAME.fits
is_boot_file = BOOT_FILE.fits
is_boot_command = BOOT_COMMAND.fits
is_archive_word = ARCHIVE_WORD.fits
is_archive_address = ARCHIVE_ADDRESS.fits
is_keyring = KEYRING.fits
is_base64 = BASE64.fits
is_module_name = MODULE_NAME.fits
is_udev_rule = UDEV_RULE.fits
is_sha256 = SHA256.fits


def without_credentials(url: str) -> str:
    """Return *url* without user and password."""
    from urllib.parse import urlsplit, urlunsplit

    try:
        parts = urlsplit(url)
    except ValueError:
        return url
    if "@" not in parts.netloc:
        return url
    return urlunsplit(parts._replace(netloc=parts.netloc.rpartition("@")[2]))
