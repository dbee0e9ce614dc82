"""Step kernel: modules to load and to keep out."""

# ruff: noqa: E501  shell text keeps its own lines

from __future__ import annotations

from collections.abc import Mapping, Sequence

from robokit_plan.model import Plan, is_machine_name

from ._words import UnsafeValueError, here_document, sh_quote

KERNEL = r"""
# ---- kernel: modules -----------------------------------------------------------------------------

# A module that the running kernel lacks comes with a restart, where an upgrade brought another
# kernel, or with a build for it. Argument: module.
check_module() {
  kernel=$(uname -r)
  [ -d /lib/modules ] || return 0
  if [ ! -d "/lib/modules/$kernel" ]; then
    attention "the running kernel $kernel is not the installed one: restart the machine, then run this again"
  elif command -v modprobe >/dev/null && ! modprobe -n -q -- "$1" && ! grep -Fqx -e "blacklist $1" /etc/modprobe.d/*.conf 2>/dev/null; then
    attention "the kernel $kernel has no module $1: if its driver is built on this machine, that takes linux-headers-$kernel"
  fi
}
"""


def kernel_step(load: Sequence[str], block: Sequence[str]) -> str:
    """Return the step for modules to *load* and to *block* (modules-load.d(5), modprobe.d(5))."""
    parts = [KERNEL]
    calls = ["  placed=no"]
    for kind, folder, lines in (
        ("load", "modules-load.d", [f"{one}\n" for one in load]),
        # `install` as well, since `blacklist` alone does not keep other modules from asking for it
        (
            "block",
            "modprobe.d",
            [f"blacklist {one}\ninstall {one} /bin/false\n" for one in block],
        ),
    ):
        if lines:
            parts.append(here_document(f"modules_{kind}", "".join(lines)))
            calls.append(f'  place_text modules_{kind} "/etc/{folder}/robokit-$robot.conf" 644')
    calls.append('  [ "$placed" = no ] || attention "kernel modules changed: restart the machine"')
    calls += [f"  check_module {sh_quote(one)}" for one in load]
    parts.append("step_kernel() {\n" + "\n".join(calls) + "\n}\n")
    return "\n".join(parts)


def kernel_modules(plan: Plan) -> tuple[list[str], list[str]]:
    """Return the modules to load and those to keep out, each sorted."""
    machine = plan.machine
    return (
        _with_boot(machine.load, plan, "module-load"),
        _with_boot(machine.block, plan, "module-block"),
    )


def _with_boot(table: Mapping[str, object], plan: Plan, kind: str) -> list[str]:
    found = {*table, *(one.text for one in plan.boot if one.kind == kind)}
    for module in found:
        if not is_machine_name(module):
            raise UnsafeValueError("a kernel module", module)
    return sorted(found)
