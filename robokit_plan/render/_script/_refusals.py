"""What of a plan may not stand in a script, whoever made the plan."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from robokit_plan.model import (
    BOOT_TEXT,
    Plan,
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

from ._words import UnsafeValueError


def check_values(plan: Plan) -> None:
    """Raise `UnsafeValueError` for the first value of *plan* outside its alphabet."""
    machine = plan.machine
    demands: list[tuple[Callable[[str], bool], str, Iterable[str]]] = [
        (is_machine_name, "a robot's name", [plan.robot]),
        (is_machine_name, "a profile", [] if plan.profile is None else [plan.profile]),
        (is_plain_line, "a board", [plan.board]),
        (is_machine_name, "a release", [plan.target.release]),
        (is_debian_name, "an architecture", [plan.target.architecture]),
        (is_machine_name, "a Python version", [plan.target.python]),
        (is_python_name, "a distribution", [pin.name for pin in (*plan.python, *plan.build)]),
        (_is_version, "a version", [pin.version for pin in (*plan.python, *plan.build)]),
        (is_sha256, "a hash", [pin.file.sha256 or "" for pin in (*plan.python, *plan.build)]),
        (is_debian_name, "a Debian package", [pin.name for pin in plan.debian]),
        (is_debian_version, "a Debian version", [pin.version for pin in plan.debian]),
        (is_debian_name, "an architecture", [pin.architecture for pin in plan.debian]),
        (is_machine_name, "a group", machine.groups),
        (is_machine_name, "a service", [*machine.start, *machine.stop]),
        (is_machine_name, "a kernel module", [*machine.load, *machine.block]),
        (is_machine_name, "a right", machine.permissions),
        (is_variable_name, "a variable", [one.name for _, one in machine.environment]),
        (is_plain_line, "an address", [one.url for one in machine.assets]),
        (is_sha256, "a hash", [one.sha256 or "" for one in machine.assets]),
        (is_relative_path, "a path", [one.path for one in machine.assets]),
        (is_relative_path, "an instance", [one.instance for one in machine.assets]),
        (BOOT_TEXT.fits, "a boot setting", [one.text for one in plan.boot]),
        (is_boot_file, "a boot file", [one.file for one in plan.boot if one.file is not None]),
        (is_boot_command, "a boot command", [one.apply for one in plan.boot if one.apply]),
        (is_python_name, "an archive", [one.name for one in plan.sources]),
        (is_archive_address, "an address", [one.url for one in plan.sources]),
        (
            is_archive_word,
            "a suite",
            [word for one in plan.sources for word in (*one.suites, *one.components)],
        ),
        (is_base64, "a key", [one.key for one in plan.sources]),
        (is_keyring, "a keyring", [one.keyring for one in plan.sources if one.keyring]),
        (is_debian_name, "a Debian package", [name for one in plan.sources for name in one.only]),
        (is_udev_rule, "a udev rule", plan.udev_rules),
        (is_module_name, "a module", plan.modules),
        (is_python_name, "a distribution", plan.build_environment),
        (
            is_variable_name,
            "a variable",
            [name for pairs in plan.build_environment.values() for name, _ in pairs],
        ),
        (
            is_relative_path,
            "a file name",
            [
                *(pin.filename for pin in plan.debian),
                *(pin.file.filename for pin in (*plan.python, *plan.build)),
            ],
        ),
        (is_sha256, "a hash", [pin.sha256 for pin in plan.debian]),
        (is_plain_line, "a program", [] if plan.program is None else [plan.program]),
        (is_machine_name, "a user", [] if plan.program_user is None else [plan.program_user]),
    ]
    for check, what, values in demands:
        for value in values:
            if not check(value):
                raise UnsafeValueError(what, value)


def _is_version(version: str) -> bool:
    return is_plain_line(version) and not set(version) & set(" ;\\#'\"@,=<>")
