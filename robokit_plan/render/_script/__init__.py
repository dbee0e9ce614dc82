"""
`install.sh`, from the lock file alone: a module per step, each with its shell text and its data.

Everything that stems from a manifest, an index or a robot file reaches the shell as one quoted
word or inside a quoted here-document. Where a value builds a line of a system file, its alphabet is
checked as well (`UnsafeValueError`), whoever made the plan. The shell texts are the same for every
robot, POSIX.1-2017 (section 2): they read variables that the head sets from the lock file, and call
functions named ``*_rows`` that hold its data; nothing from a manifest stands in them.
"""

from ._boot import COMMAND_LINE_KINDS, FIRMWARE_KINDS, boot_file_of
from ._built import source_builds
from ._debian import deb_name
from ._kernel import kernel_modules
from ._profiles import Locked, ProfilesDifferError, profile_word, union_of
from ._services import unit_name
from ._whole import render_script
from ._words import UnsafeValueError, sh_quote

__all__ = [
    "COMMAND_LINE_KINDS",
    "FIRMWARE_KINDS",
    "Locked",
    "ProfilesDifferError",
    "UnsafeValueError",
    "boot_file_of",
    "deb_name",
    "kernel_modules",
    "profile_word",
    "render_script",
    "sh_quote",
    "source_builds",
    "union_of",
    "unit_name",
]
