"""What the search chose is held against resolvelib's engine before anything rests on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from robokit_plan.resolve.python import _resolve, resolve_python
from robokit_plan.resolve.python._asked import read_units
from robokit_plan.resolve.python._search import Found, search
from robokit_plan.resolve.python._second_look import DisagreementError, confirm
from robokit_plan.resolve.python._settle import settle
from robokit_plan.resolve.python._units import asks_in
from robokit_plan.resolve.python._world import Ask, Candidate, World

from .fake_python_index import FakeIndex, Rel, problem

INDEX = FakeIndex().add(
    {
        "mast": {"2": ["sail>=1", "rope[wet]"], "1": []},
        "sail": {"2": [], "1": [], "0.5": []},
        "rope": {"1": Rel(requires=("tar; extra == 'wet'",), extras=("wet",))},
        "tar": {"1": []},
        "buoy": {"1": []},
    }
)


def _choice(*asked: str) -> tuple[World, list[Ask], Mapping[str, Candidate]]:
    question = problem(*asked)
    world = World(question, INDEX.whole())
    asks = list(asks_in(read_units(question, world)[0]))
    found = search(world, asks)
    assert isinstance(found, Found)
    return world, asks, found.chosen


def _release(world: World, name: str, version: str) -> Candidate:
    _, _, chosen = _choice(f"{name}=={version}")
    return chosen[name]


def test_a_choice_that_holds_is_let_through() -> None:
    """Extras, and what they bring, are part of it."""
    world, asks, chosen = _choice("mast", "sail<2")
    assert {"mast", "sail", "rope", "rope[wet]", "tar"} <= chosen.keys()
    confirm(world, asks, chosen)


def test_a_release_that_is_not_let_in_is_noticed() -> None:
    world, asks, chosen = _choice("mast", "sail<2")
    for version in ("2", "0.5"):
        wrong = {**chosen, "sail": _release(world, "sail", version)}
        with pytest.raises(DisagreementError, match="sail"):
            confirm(world, asks, wrong)


@pytest.mark.parametrize("gone", ["mast", "sail", "rope", "rope[wet]", "tar"])
def test_what_is_asked_for_and_not_there_is_noticed(gone: str) -> None:
    world, asks, chosen = _choice("mast", "sail<2")
    with pytest.raises(DisagreementError):
        confirm(world, asks, {name: one for name, one in chosen.items() if name != gone})


def test_what_nobody_asks_for_is_noticed() -> None:
    world, asks, chosen = _choice("mast")
    more = {**chosen, "buoy": _release(world, "buoy", "1")}
    with pytest.raises(DisagreementError, match="nothing asks for buoy"):
        confirm(world, asks, more)


def test_every_answer_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """A search that chose wrongly would not get past it."""

    def wrong(world: World, *rest: object) -> object:
        outcome = settle(world, *rest)  # type: ignore[arg-type]
        assert isinstance(outcome, tuple)
        found, units = outcome
        sail = _release(world, "sail", "0.5")
        return replace(found, chosen={**found.chosen, "sail": sail}), units

    resolve_python(problem("mast"), INDEX.whole())
    monkeypatch.setattr(_resolve, "settle", wrong)
    with pytest.raises(DisagreementError):
        resolve_python(problem("mast"), INDEX.whole())
