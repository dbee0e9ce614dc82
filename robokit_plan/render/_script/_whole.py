"""The script as a whole: its steps, in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from robokit_plan.model import Plan

from ._acts import BASE
from ._assets import assets_step
from ._boot import boot_common, boot_step, firm_settings
from ._debian import debian_step
from ._groups import groups_step
from ._head import header, usage, variables
from ._kernel import kernel_modules, kernel_step
from ._permissions import permissions_step
from ._preflight import PREFLIGHT
from ._profiles import CHOICE, PROFILE, Locked, profile_word, union_of
from ._program import program_step
from ._refusals import check_values
from ._remove import remove_step
from ._secrets import secrets_step
from ._self_test import self_test_step
from ._services import services_step
from ._sources import sources_step
from ._start import start
from ._tidy import build_tools, tidy_step
from ._udev import udev_step
from ._venv import venv_step
from ._wiring import wiring_step


def render_script(
    plan: Plan, *, lock_name: str, lock_sha256: str, also: Sequence[Locked] = ()
) -> str:
    """
    Return the install script of *plan*.

    Args:
        plan: Read from a lock file.
        lock_name: Name of that file, for the header.
        lock_sha256: Of its bytes, for the header.
        also: Lock files of further profiles that the machine can switch to.

    Raises:
        UnsafeValueError: A value would reach a system file as more than it says.
        ProfilesDifferError: The profiles cannot share a machine.
    """
    locked = [Locked(plan=plan, name=lock_name, sha256=lock_sha256), *also]
    for one in locked:
        check_values(one.plan)
    union = union_of(locked)
    plans = {profile_word(one.plan): one.plan for one in locked}
    parts = _steps(union, plans)
    names = ["preflight", *parts]
    return "\n".join(
        [
            header(union, names, locked),
            variables(union, names, locked),
            usage(union, names, list(plans)),
            BASE.strip("\n") + "\n",
            *([CHOICE.strip("\n") + "\n"] if also else []),
            PREFLIGHT.strip("\n") + "\n",
            boot_common(union),
            *(part.strip("\n") + "\n" for part in parts.values()),
            start(several=bool(also), builds="tidy" in parts).strip("\n"),
            "",
        ]
    )


def _steps(plan: Plan, plans: Mapping[str, Plan]) -> dict[str, str]:
    """Return the steps that *plan*, the union of *plans*, needs, in order, each as it stands."""
    machine = plan.machine
    load, block = kernel_modules(plan)
    boots = any(firm_settings(one) for one in plans.values())
    found = {
        "profile": PROFILE if len(plans) > 1 else "",
        "sources": sources_step(plan) if plan.sources else "",
        # without packages there may still be some of an earlier lock
        "debian": debian_step(plan) if plan.debian_known else "",
        "venv": venv_step(plan),
        "groups": groups_step(plan) if machine.groups or plan.program_user else "",
        "udev": udev_step(plan) if plan.udev_rules else "",
        "services": services_step(plan) if machine.start or machine.stop else "",
        "kernel": kernel_step(load, block) if load or block else "",
        "permissions": permissions_step(plan) if machine.permissions else "",
        "boot": boot_step(plans) if boots else "",
        "assets": assets_step(plan) if machine.assets else "",
        "wiring": wiring_step(plans),
        "secrets": secrets_step(plan) if machine.environment else "",
        "program": program_step(plan, plan.program) if plan.program else "",
        "remove": remove_step(plan, plans, load=bool(load), block=bool(block)),
        # before the test, so that it is told where what was sent away is missed
        "tidy": tidy_step(plan) if plan.debian_known and build_tools(plan) else "",
        "test": self_test_step(plan) if plan.modules else "",
    }
    return {name: part for name, part in found.items() if part}
