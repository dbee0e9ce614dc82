"""One consistent choice of releases: names as variables, releases as values, asks as clauses."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from heapq import heappop, heappush

from robokit_plan.model import DistributionName, dataclass, field

from ._clauses import Clause, Engine, ImpossibleError, TooLongError
from ._parsing import allows, find_specifier, is_exact
from ._releases import Release
from ._world import METADATA, PYTHON, Ask, Candidate, World

_ABSENT = 1
"""The value of what is not installed; that of the first release in order of choice is 2, then 4."""


@dataclass(eq=False, slots=True)
class _Name:
    """
    One identifier, its variable, and what its values stand for.

    `releases` by value, in order of choice; None: the page was not read, so one value stands for
    all that it may hold. `places`: the same the other way round. `gated`: values that do not come
    in by fitting alone (PEP 440, PEP 592). `asks` in force; `wanted` by whatever was met. `closed`:
    values given up since nothing met lets them in, with the ones that stood in their way.
    `settled`: the value whose asks are in force; 0 for none. `rank`: decided after what has a
    lower one; `after`: names that give way to it.
    """

    identifier: str
    name: DistributionName
    extra: str
    variable: int
    releases: Mapping[int, Release | None]
    gated: int
    asks: list[Ask] = field(default_factory=list)
    wanted: list[_Wish] = field(default_factory=list)
    closed: list[tuple[int, int]] = field(default_factory=list)
    masks: dict[str, int] = field(default_factory=dict)
    places: dict[Release | None, int] = field(default_factory=dict)
    settled: int = 0
    rank: int = 0
    after: list[_Name] = field(default_factory=list)


@dataclass(eq=False, slots=True)
class _Wish:
    """
    What some releases of `asker` ask, as a clause: none of them, or of `asked` one in `mask`.

    `asked` None: nothing can meet it.
    """

    ask: Ask
    asker: _Name
    asked: _Name | None
    mask: int
    clause: Clause


class Gaps:
    """
    What was met and could not be read; `visits`: how many releases were looked into, by name.

    `invalid`: releases that were looked into and whose metadata cannot be so.
    """

    def __init__(self) -> None:
        self.invalid: dict[Release, None] = {}
        self.pages: set[DistributionName] = set()
        self.releases: dict[Release, None] = {}
        self.visits: Counter[DistributionName] = Counter()

    def __bool__(self) -> bool:
        return bool(self.pages or self.releases)


class Choosing:
    """
    One search over *world* for all of *asks*, in their order.

    What is decided first gets the best release that is left to it, so no other choice is at least
    as good for each name and better for one. *most_with_gaps*: contradictions after which a search
    that met a gap is given up.
    """

    def __init__(
        self, world: World, asks: Sequence[Ask], *, steps: int, most_with_gaps: int
    ) -> None:
        self.gaps = Gaps()
        self._world = world
        self._asks = asks
        self._most_with_gaps = most_with_gaps
        self._engine = Engine(none=_ABSENT, steps=steps)
        self._names: dict[str, _Name] = {}
        self._of: list[_Name] = []
        self._visited: dict[tuple[int, int], tuple[_Wish, ...]] = {}
        self._wishes: dict[tuple[int, str, str], _Wish] = {}
        self._first: dict[Clause, Ask] = {}
        self._settled: list[tuple[int, _Name]] = []
        self._agenda: list[tuple[tuple[int, bool, bool, bool, str], int]] = []
        self._deferred: list[_Name] = []
        self._outdated = False

    @property
    def steps_left(self) -> int:
        """How many steps were not spent."""
        return self._engine.steps_left

    def chosen(self) -> Mapping[str, Candidate]:
        """
        Return what was chosen, by identifier; only what the asks lead to.

        Raises:
            ImpossibleError: No choice meets all asks.
            TooLongError: None was found within the bounds.
        """
        engine = self._engine
        broken = self._begun()
        while True:
            broken = broken or engine.propagate() or self._forced()
            if broken is None and not engine.is_pending:
                name, closed = self._next(), None
                if name is not None:
                    broken = self._decided(name)
                elif (closed := self._next_closed()) is not None:
                    broken = self._closed(closed)
                else:
                    found = self._reached()
                    broken = self._unfounded(found)
                    if broken is None:
                        return found
            if broken is not None:
                if self.gaps and engine.conflicts >= self._most_with_gaps:
                    raise TooLongError
                engine.learn(broken, self._gives_way)
                broken = None
                self._unsettle(engine.level)
            if self._outdated:
                engine.forget()
                broken = self._begun()

    def _begun(self) -> Clause | None:
        """Apply what holds from the start; return a clause that this breaks, None where none is."""
        self._outdated = False
        self._unsettle(-1)
        for one in self._of:
            one.closed.clear()
            one.asks.clear()
        for place, ask in enumerate(self._asks):
            name = self._name(ask.identifier, ask.name, ask.extra)
            name.asks.append(ask)
            self._plan(name)
            clause = Clause({name.variable: self._mask(name, ask.specifier)}, roots=1 << place)
            self._first[clause] = ask
            broken = self._engine.narrow(name.variable, clause)
            if broken is not None:
                return broken
        for fact in self._engine.facts:
            for variable in fact.literals:
                broken = self._engine.narrow(variable, fact)
                if broken is not None:
                    return broken
        return None

    # Names and values

    def _name(self, identifier: str, name: DistributionName, extra: str) -> _Name:
        found = self._names.get(identifier)
        if found is None:
            base = self._name(name, name, "") if extra else None
            releases = self._values(name) if base is None else base.releases
            values, gated = _ABSENT, 0
            for value, release in releases.items():
                # What an extra would bring besides, a Debian package does not say.
                if release is None or not extra or release.carrier is None:
                    values |= value
                if release is not None and (
                    release.yanked is not None or release.version.is_prerelease
                ):
                    gated |= value
            variable = self._engine.variable(values)
            found = _Name(identifier, name, extra, variable, releases, gated)
            self._names[identifier] = found
            self._of.append(found)
            if base is not None:
                self._engine.link(variable, base.variable)
        return found

    def _values(self, name: DistributionName) -> Mapping[int, Release | None]:
        project = self._world.project(name)
        releases: list[Release | None] = []
        if project is not None:
            releases += self._world.pool(project)
        else:
            # What Debian brings needs nothing in turn: as long as it fits, no page is wanted.
            carried = self._world.carried(name, ())
            releases += [None] if carried is None else [carried, None]
        return {_ABSENT << 1 + place: release for place, release in enumerate(releases)}

    def _mask(self, name: _Name, specifier: str) -> int:
        """Return the values of *name* that fit *specifier*, a pre-release or yanked one as well."""
        found = name.masks.get(specifier)
        if found is None:
            found = self._values_of(name, self._fitting(name, specifier))
            name.masks[specifier] = found = found & self._engine.full[name.variable]
            self._engine.spend(found.bit_count())
        return found

    def _fitting(self, name: _Name, specifier: str) -> Iterable[Release | None]:
        project = self._world.project(name.name)
        carried = self._world.carried(name.name, [specifier])
        own = (None,) if project is None else project.fitting(specifier)
        return own if carried is None else (carried, *own)

    def _values_of(self, name: _Name, releases: Iterable[Release | None]) -> int:
        places = name.places
        if not places:
            places.update((release, value) for value, release in name.releases.items())
        found = 0
        for release in releases:
            # What facts or Debian's bounds keep out has no value.
            found |= places.get(release, 0)
        return found

    def _open(self, name: _Name) -> int:
        """Return the values of *name* that the asks in force let in."""
        project = self._world.project(name.name)
        if project is None:
            return self._engine.full[name.variable]
        matches = self._world.matches(project, [ask.specifier for ask in name.asks])
        return self._values_of(name, matches)

    # Choosing

    def _plan(self, name: _Name) -> None:
        """Queue *name*: exact asks, then what plugins ask, then bounded asks, then by name."""
        if name.extra:
            return  # it follows the name without
        exact = direct = bounded = False
        for ask in name.asks:
            specifier = ask.specifier
            bounded = bounded or bool(specifier)
            exact = exact or is_exact(specifier)
            direct = direct or ask.root is not None
        key = (name.rank, not exact, not direct, not bounded, name.identifier)
        heappush(self._agenda, (key, name.variable))

    def _is_wanting(self, name: _Name) -> bool:
        return not name.settled and not self._engine.domains[name.variable] & _ABSENT

    def _next(self) -> _Name | None:
        while self._agenda:
            name = self._of[heappop(self._agenda)[1]]
            if self._is_wanting(name):
                return name
        return None

    def _decided(self, name: _Name) -> Clause | None:
        """Take the best release of *name* that nothing known excludes; return what that breaks."""
        engine = self._engine
        while True:
            domain = engine.domains[name.variable]
            if domain & -domain & name.gated:
                domain &= self._open(name)
            value = domain & -domain
            if not value:
                self._deferred.append(name)
                return None
            unmet = next((one for one in self._visit(name, value) if not self._can_be(one)), None)
            if unmet is None:
                break
            if self._goes_first(name, unmet):
                return None
            broken = engine.narrow(name.variable, unmet.clause)
            if broken is not None:
                return broken
        if engine.is_pending:
            self._plan(name)
            return None
        engine.choose(name.variable, value)
        return self._settle(name)

    def _goes_first(self, name: _Name, unmet: _Wish) -> bool:
        """Go back to before what stands in the way of *unmet* was chosen; return whether it may."""
        asked, engine = unmet.asked, self._engine
        if asked is None or not engine.is_chosen_away(asked.variable, unmet.mask):
            return False
        if not self._waits(asked, name):
            return False
        engine.go_before(asked.variable)
        self._unsettle(engine.level)
        return True

    def _gives_way(self, clause: Clause, later: int, earlier: int) -> bool:
        """Return whether *earlier* is to be chosen after *later*, which asks for it in *clause*."""
        asks = bool(clause.literals[later] & _ABSENT)
        is_asked = not clause.literals[earlier] & _ABSENT
        return asks and is_asked and self._waits(self._of[earlier], self._of[later])

    def _waits(self, asked: _Name, asker: _Name) -> bool:
        """
        Let *asked* be decided after *asker* from now on; return whether that is so.

        What is asked for gives way to what asks: otherwise the newest of the one would leave an
        old release of the other, from before it cared. Not in a circle.
        """
        asked, asker = self._names[asked.name], self._names[asker.name]
        left, seen = [asked], {asked.identifier}
        while left:
            for one in left.pop().after:
                if one.identifier not in seen:
                    seen.add(one.identifier)
                    left.append(one)
        if asker.identifier in seen or asked in asker.after:
            return False
        asker.after.append(asked)
        # Also after what was decided since, as that may be why the asker is there at all.
        asked.rank = 1 + max(one.rank for _, one in self._settled)
        return True

    def _can_be(self, wish: _Wish) -> bool:
        return wish.asked is not None and bool(
            self._engine.domains[wish.asked.variable] & wish.mask
        )

    def _forced(self) -> Clause | None:
        """Settle each name that has one value left; return what that breaks."""
        touched, self._engine.touched = self._engine.touched, []
        for place, variable in enumerate(touched):
            name = self._of[variable]
            domain = self._engine.domains[variable]
            if domain & (domain - 1) or not self._is_wanting(name):
                continue
            broken = self._settle(name)
            if broken is not None:
                self._engine.touched += touched[place + 1 :]
                return broken
        return None

    def _settle(self, name: _Name) -> Clause | None:
        """Put in force what the one release left of *name* asks; return what that breaks."""
        value = name.settled = self._engine.domains[name.variable]
        if name.releases[value] is None:
            self.gaps.pages.add(name.name)
        self._settled.append((self._engine.level, name))
        wishes = self._visit(name, value)
        self._engine.spend(1 + len(wishes))
        for wish in wishes:
            if wish.asked is not None:
                wish.asked.asks.append(wish.ask)
                if not wish.asked.settled:
                    self._plan(wish.asked)
        for wish in wishes:
            asked = wish.asker if wish.asked is None else wish.asked
            broken = self._engine.narrow(asked.variable, wish.clause)
            if broken is not None:
                return broken
        return None

    def _unsettle(self, level: int) -> None:
        """Take back what was settled above *level*, and queue anew."""
        while self._settled and self._settled[-1][0] > level:
            _, name = self._settled.pop()
            for wish in self._visit(name, name.settled):
                if wish.asked is not None:
                    wish.asked.asks.pop()
            name.settled = 0
            self._engine.touched.append(name.variable)
        self._deferred.clear()
        self._agenda.clear()
        for name in self._of:
            if name.asks and not name.settled:
                self._plan(name)

    def _visit(self, name: _Name, value: int) -> tuple[_Wish, ...]:
        """Return what the release *value* of *name* asks; nothing where that was not read."""
        found = self._visited.get((name.variable, value))
        if found is None:
            release = name.releases[value]
            asks = () if release is None else self._world.asks(release, name.extra)
            if release is not None and self._world.invalid(release):
                self.gaps.invalid[release] = None
            if asks is None and release is not None:
                self.gaps.releases[release] = None
            wishes = (self._wish(name, value, ask) for ask in asks or ())
            found = tuple(one for one in wishes if one is not None)
            self._visited[name.variable, value] = found
            if not name.extra:
                self.gaps.visits[name.name] += 1
        return found

    def _wish(self, name: _Name, value: int, ask: Ask) -> _Wish | None:
        """Return *ask* of the release *value* of *name*; None where it changes nothing."""
        asked: _Name | None = None
        mask = 0
        if ask.name == PYTHON and allows(ask.specifier, self._world.python_version):
            return None
        if ask.name not in {PYTHON, METADATA}:
            asked = self._name(ask.identifier, ask.name, ask.extra)
            mask = self._mask(asked, ask.specifier)
            if ask.identifier in {name.identifier, name.name}:
                if mask & value:
                    return None
                asked = None
        key = (name.variable, ask.identifier, ask.specifier)
        found = self._wishes.get(key)
        if found is None:
            literals = {name.variable: self._engine.full[name.variable]}
            if asked is not None:
                literals[asked.variable] = mask
            found = self._wishes[key] = _Wish(ask, name, asked, mask, Clause(literals))
            if asked is not None:
                self._engine.watch(found.clause)
                asked.wanted.append(found)
        # One clause for all releases that ask the same: it says more, and still all that it said.
        found.clause.literals[name.variable] &= ~value
        if asked is not None and any(_may_open(found, *one) for one in asked.closed):
            self._outdated = True
        return found

    # Pre-releases and yanked releases: let in by what asks for them, not only by fitting

    def _next_closed(self) -> _Name | None:
        """Return a name of which no release is left that the asks in force let in."""
        for name in self._deferred:
            if self._is_wanting(name):
                return name
        for _, name in self._settled:
            if name.settled & name.gated and not name.extra and not name.settled & self._open(name):
                return name
        return None

    def _closed(self, name: _Name) -> Clause | None:
        """
        Return the clause that what is left of *name* needs something else that asks for it.

        None where something may yet: it is chosen first that it does not.
        """
        engine = self._engine
        left = engine.domains[name.variable]
        finals = self._open(name) & ~name.gated
        literals = {name.variable: engine.full[name.variable] & ~left}
        asked = {ask.specifier for ask in name.asks}
        for wish in name.wanted:
            if wish.ask.specifier in asked or not _may_open(wish, left, finals):
                continue
            variable = wish.asker.variable
            asking = engine.full[variable] & ~wish.clause.literals[variable]
            domain = engine.domains[variable]
            if domain & asking:
                if not domain & ~asking:
                    return self._decided(self._names[wish.asker.name])
                engine.choose(variable, ~asking)
                return None
            literals[variable] = literals.get(variable, 0) | asking
        name.closed.append((left, finals))
        return Clause(literals, tentative=True)

    # The end

    def _reached(self) -> Mapping[str, Candidate]:
        """Return what of the settled names the asks lead to."""
        found: dict[str, Candidate] = {}
        left = [ask.identifier for ask in self._asks]
        while left:
            identifier = left.pop()
            if identifier in found:
                continue
            name = self._names[identifier]
            found[identifier] = self._candidate(name, name.settled)
            asked = (wish.asked for wish in self._visit(name, name.settled))
            left += [one.identifier for one in asked if one is not None]
            if name.extra:
                left.append(name.name)
        return {identifier: found[identifier] for identifier in sorted(found)}

    def _candidate(self, name: _Name, value: int) -> Candidate:
        release = name.releases[value]
        if release is None:
            return Candidate(name.identifier, name.name, name.extra, None)
        return self._world.candidate(name.identifier, name.extra, release)

    def _unfounded(self, found: Mapping[str, Candidate]) -> Clause | None:
        """
        Return a clause against these choices where something was taken that nothing asks for.

        That can only be where a clause of `_closed` asked for it, so it must not let anything in.
        """
        if all(name.identifier in found for _, name in self._settled):
            return None
        full = self._engine.full
        literals = {one: full[one] & ~left for one, left in self._engine.choices.items()}
        return Clause(literals, roots=(1 << len(self._asks)) - 1, tentative=True)

    # Why there is none

    def core(self, error: ImpossibleError) -> tuple[Ask, ...]:
        """Return those of the asks that *error* rests on."""
        return tuple(ask for place, ask in enumerate(self._asks) if error.roots >> place & 1)

    def causes(self, error: ImpossibleError) -> tuple[tuple[Ask, Candidate | None], ...]:
        """Return the asks that met in the last contradiction, each with who asks."""
        wishes = {one.clause: one for one in self._wishes.values()}
        names = dict.fromkeys(error.broken.literals)
        clauses = dict.fromkeys([error.broken])
        for variable in names:
            clauses |= dict.fromkeys(self._engine.reasons(variable))
        found: dict[tuple[str, str], tuple[Ask, Candidate | None]] = {}
        for clause in clauses:
            ask = self._first.get(clause)
            wish = wishes.get(clause)
            if ask is not None:
                found.setdefault(("", ask.text), (ask, None))
            elif wish is not None:
                variable = wish.asker.variable
                asking = self._engine.full[variable] & ~clause.literals[variable]
                # The one among them that comes first in order of choice stands for all.
                parent = self._candidate(wish.asker, asking & -asking)
                found.setdefault((wish.asker.identifier, wish.ask.identifier), (wish.ask, parent))
        return tuple(found.values())


def _may_open(wish: _Wish, left: int, finals: int) -> bool:
    """Return whether *wish* may let in some of *left* that *finals* have kept out."""
    if not wish.mask & left:
        return False
    specifier = find_specifier(wish.ask.specifier)
    names_one = specifier is not None and bool(specifier.prereleases)
    return names_one or is_exact(wish.ask.specifier) or bool(finals & ~wish.mask)
