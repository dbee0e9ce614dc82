"""What pip is told: requirements with their hashes, index by index."""

from __future__ import annotations

from collections.abc import Iterable

from robokit_plan.model import Plan, PythonPin, is_plain_line, without_credentials

from ._words import UnsafeValueError, here_document, sh_quote


def requirement(pin: PythonPin, plan: Plan) -> str:
    """
    Return one requirement with its hash.

    A package of a further index whose address is not known is named by its own address, so that
    pip never looks for it elsewhere.
    """
    what = f"{pin.name}=={pin.version}"
    if pin.file.index not in {"default", *plan.indexes}:
        what = f"{pin.name} @ {without_credentials(pin.file.url)}"
        if not is_plain_line(what) or set(pin.file.url) & set(" ;\\'\""):
            raise UnsafeValueError("an address", pin.file.url)
    return f"{what} --hash=sha256:{pin.file.sha256}"


def requirements(name: str, pins: Iterable[PythonPin], plan: Plan) -> str:
    """Return a function *name* of the script that prints *pins* as requirements."""
    return here_document(name, "".join(f"{requirement(pin, plan)}\n" for pin in pins))


def by_index(pins: Iterable[PythonPin]) -> dict[str, list[PythonPin]]:
    """Return index -> its *pins* in their order, the default index first."""
    found: dict[str, list[PythonPin]] = {}
    for pin in sorted(pins, key=lambda one: (one.file.index != "default", one.file.index)):
        found.setdefault(pin.file.index, []).append(pin)
    return found


def index_option(index: str, plan: Plan) -> str:
    """Return pip's option for a further index; the default one is what pip is configured for."""
    if index == "default" or index not in plan.indexes:
        return ""
    return f" --index-url {sh_quote(without_credentials(plan.indexes[index]))}"


def pip_install(place: str, name: str, option: str, index: str, plan: Plan) -> list[str]:
    """Return the lines that install what function *name* prints into the environment *place*."""
    return [
        f'  requirements {name} >"$work/{name}.txt"',
        f'  pip_of "{place}" install{index_option(index, plan)} --no-deps --require-hashes '
        f'{option}-r "$work/{name}.txt"',
    ]
