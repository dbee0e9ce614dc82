"""
Sets of variables that want fewer things than they are: told by counting, without a search.

A *resource kind* is one of which most candidates take some for themselves alone: lines,
channels, addresses. Variables that can never be together on one thing need a thing each, so a
matching that cannot serve all of them proves that they do not fit. Devices of one bus share its
lines, but two of them with one address cannot be on one bus: such groups are counted with the rest,
one group at a time.

Source:
    Hall's theorem; the set told is what alternating paths reach from one that none serves.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from ._resources import Candidate, Kind, Resource

_MATCHED = (
    Kind.LINE,
    Kind.CHANNEL,
    Kind.PORT,
    Kind.ADDRESS,
    Kind.SELECT,
    Kind.PIN,
    Kind.POSITION,
)

Wants = tuple[int, ...]
"""Numbers of the things of which one is needed."""


class Layout(Protocol):
    """Variables and their candidates as bits, as the search lays them out."""

    offsets: list[int]
    """Per variable, the bit of its first candidate."""
    masks: list[int]
    """Per variable, the bits of its candidates."""
    of_bit: list[Candidate]
    excludes: list[int]
    """Per bit, the candidates that cannot go with it."""


class HallCheck:
    """Looks for crowds among variables of *space*."""

    def __init__(self, space: Layout, shapes: Sequence[int]) -> None:
        """*shapes*: per variable, the first one that has the same domain."""
        kinds = {kind: _ResourceKind(space, shapes) for kind in _MATCHED}
        meeting = any(
            use.resource.kind is Kind.POSITION for one in space.of_bit for use in one.uses
        )
        for shape in dict.fromkeys(shapes):
            count = space.masks[shape].bit_count()
            for users in kinds.values():
                users.things[shape] = [()] * count
            offset = space.offsets[shape]
            for place, one in enumerate(space.of_bit[offset : offset + count]):
                # Two pads that meet on one position of the header are one thing.
                met = {
                    key: use.resource
                    for use in one.uses
                    if use.resource.kind is Kind.POSITION
                    for key in use.keys
                }
                for use in one.uses:
                    kind, keyed = use.resource.kind, bool(use.keys)
                    if kind in kinds and not (kind is Kind.POSITION and keyed):
                        kinds[kind].add(shape, place, use.resource, keyed=keyed)
                    if kind is Kind.LINE and meeting:
                        thing = met.get(use.resource.name, use.resource)
                        kinds[Kind.POSITION].add(shape, place, thing, keyed=keyed)
        self._kinds = [users for users in kinds.values() if users.numbers]
        for users in self._kinds:
            users.note_sharing(space)

    def find(self, asked: Sequence[int], alive: int) -> list[int]:
        """
        Return variables of *asked* that want fewer things than they are; empty: none found.

        Shape:
            sorted; within what was counted, each could be served if any other one went away
        """
        for users in self._kinds:
            found = users.crowd(asked, alive)
            if found:
                return found
        return []


class _ResourceKind:
    """The things of one kind, and who takes which."""

    def __init__(self, space: Layout, shapes: Sequence[int]) -> None:
        self._masks = space.masks
        self._offsets = space.offsets
        self._shapes = shapes
        self.things: dict[int, list[Wants]] = {}
        """Shape -> numbers of the things that each of its candidates takes."""
        self.numbers: dict[Resource, int] = {}
        self._keyed: dict[int, list[tuple[int, int]]] = {}
        """Shape -> place of a candidate and a thing that it could be on with another."""
        self._friends: dict[int, dict[int, int]] = {}
        """Shape, place of a candidate -> who can be with it on one of its things, itself too."""
        self._rows: dict[tuple[int, int], Sequence[Wants]] = {}
        self._beside: dict[tuple[int, int], int] = {}

    def add(self, shape: int, place: int, resource: Resource, *, keyed: bool) -> None:
        """Note that the candidate at *place* of *shape* takes *resource*, *keyed*: not alone."""
        thing = self.numbers.setdefault(resource, len(self.numbers))
        if thing not in self.things[shape][place]:
            self.things[shape][place] += (thing,)
        if keyed:
            self._keyed.setdefault(shape, []).append((place, thing))

    def note_sharing(self, space: Layout) -> None:
        """Find out who can be with whom on one thing, once all was added."""
        users = [0] * len(self.numbers)
        for variable, shape in enumerate(self._shapes):
            for place, thing in self._keyed.get(shape, ()):
                users[thing] |= 1 << (self._offsets[variable] + place)
        for shape, keyed in self._keyed.items():
            friends = self._friends.setdefault(shape, {})
            for place, thing in keyed:
                # Candidates of one shape exclude the same ones.
                beside = users[thing] & ~space.excludes[self._offsets[shape] + place]
                friends[place] = friends.get(place, 0) | beside

    def crowd(self, asked: Sequence[int], alive: int) -> list[int]:
        """Return a crowd of *asked*, sorted; empty: none found."""
        everyone = 0
        for variable in asked:
            everyone |= self._masks[variable]
        everyone &= alive
        matching = _Matching()
        sharing: list[tuple[int, int]] = []
        for variable in asked:
            wants = self._needs_of(variable, alive)
            friends = self._sharing_candidates(variable, alive) & everyone if wants else 0
            if friends:
                sharing.append((variable, friends))
            elif found := matching.add(variable, wants):
                return found
        for group in self._groups(sharing):
            trial = matching.copy()
            for variable in group:
                if found := trial.add(variable, self._needs_of(variable, alive)):
                    return found
        return []

    def _needs_of(self, variable: int, alive: int) -> Sequence[Wants]:
        """Return the things of which *variable* takes one each, whatever candidate it becomes."""
        shape = self._shapes[variable]
        left = (alive & self._masks[variable]) >> self._offsets[variable]
        known = self._rows.get((shape, left))
        if known is None:
            things = self.things[shape]
            taken = [one for place, one in enumerate(things) if left >> place & 1]
            known = tuple(tuple(dict.fromkeys(one)) for one in zip(*taken, strict=False))
            self._rows[shape, left] = known
        return known

    def _sharing_candidates(self, variable: int, alive: int) -> int:
        """Return the candidates of others that some candidate of *variable* can be beside."""
        shape = self._shapes[variable]
        friends = self._friends.get(shape)
        if friends is None:
            return 0
        left = (alive & self._masks[variable]) >> self._offsets[variable]
        known = self._beside.get((shape, left))
        if known is None:
            known = 0
            for place, beside in friends.items():
                if left >> place & 1:
                    known |= beside
            self._beside[shape, left] = known
        return known & ~self._masks[variable]

    def _groups(self, sharing: Sequence[tuple[int, int]]) -> Sequence[Sequence[int]]:
        """Return the variables of *sharing* in groups in which nobody can be with anybody."""
        masks: list[int] = []
        groups: list[list[int]] = []

        def joins(at: int, variable: int, friends: int) -> bool:
            if friends & masks[at]:
                return False
            masks[at] |= self._masks[variable]
            groups[at].append(variable)
            return True

        for variable, friends in sharing:
            if not any(joins(at, variable, friends) for at in range(len(groups))):
                masks.append(self._masks[variable])
                groups.append([variable])
        # The first group has one of everything; what nobody else is in the way of is in all.
        first = [one for one in sharing if one[0] in groups[0]] if groups else []
        for at in range(1, len(groups)):
            for variable, friends in first:
                joins(at, variable, friends)
        return groups


class _Matching:
    """Needs of variables, each served by a thing of its own."""

    def __init__(self) -> None:
        self._needs: list[tuple[int, Wants]] = []
        """Variable and things of each need."""
        self._owner: dict[int, int] = {}
        """Thing -> the need that it serves."""
        self._thing: dict[int, int] = {}
        """The other way about."""

    def copy(self) -> _Matching:
        """Return one that can be added to without changing this one."""
        new = _Matching()
        new._needs = self._needs.copy()
        new._owner = self._owner.copy()
        new._thing = self._thing.copy()
        return new

    def add(self, variable: int, needs: Sequence[Wants]) -> list[int]:
        """Serve *needs* of *variable*, too; else return who is in each other's way, sorted."""
        for wants in needs:
            self._needs.append((variable, wants))
            reached = self._serve(len(self._needs) - 1)
            if reached:
                return sorted({self._needs[one][0] for one in reached})
        return []

    def _serve(self, need: int) -> Sequence[int]:
        """Find *need* a thing; where there is none, return all needs that were asked to move."""
        reached = [need]
        through: dict[int, int] = {}
        for one in reached:
            for thing in self._needs[one][1]:
                if thing in through:
                    continue
                through[thing] = one
                if thing not in self._owner:
                    self._augment(thing, through)
                    return []
                reached.append(self._owner[thing])
        return reached

    def _augment(self, thing: int, through: dict[int, int]) -> None:
        """Give *thing* to the need that found it, what that one had to the one before, and on."""
        while True:
            need = through[thing]
            before = self._thing.get(need)
            self._owner[thing], self._thing[need] = need, thing
            if before is None:
                return
            thing = before
