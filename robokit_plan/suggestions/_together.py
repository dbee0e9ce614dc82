"""
Which plugins go together: all sets that no further plugin could join, the largest first.

A set is good where planning it meets no error. Errors are of two kinds. Some stay whatever is
enabled besides: two plugins on one line. Others go away when something joins: a capability that
nobody provides yet. The first are learned as conflicts when a set that looked good turns out bad,
and made irreducible; the second stand in the manifests. Both are rules, and the next set to try
is a largest one that keeps all rules known so far. A set that proves good is therefore one of the
largest that are left, and no part of it is tried again; when no set keeps the rules any more, all
have been told.

Source:
    Liffiton, Previti, Malik, Marques-Silva: Fast, flexible MUS enumeration, Constraints 21, 2016,
    for the exchange between a map of rules and an oracle.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence

from packaging.specifiers import InvalidSpecifier, SpecifierSet

from robokit_plan.model import (
    ActuatorClaim,
    Clash,
    EnabledPlugin,
    Finding,
    Hazard,
    Instance,
    InstanceName,
    PluginName,
    RuleName,
    Severity,
    Together,
)
from robokit_plan.planner import Problem, findings_without_indices, instances_of

from ._alike import alike_in
from ._largest import OutOfEffort, Rules
from ._pool import Broken, pool_of, with_enabled

LIMIT = 100
"""So many sets are told."""
_STEPS = 200_000
_ASKED = 3000
"""Robots planned without software."""
_ASKED_SOFTWARE = 600
"""Robots planned with it."""
_GROWN = 400
"""Robots planned, with and without software each, where the search came to no set at all."""
_IMAGES = 200
"""So many clashes of plugins that are alike are told one by one."""
_WORD = re.compile(r"[a-z0-9][a-z0-9-]*")
_PAIRS = 40
"""A crowd up to this size is looked at in pairs: as a rule any two of it clash."""
_JOINABLE = frozenset({"capability-missing", "plugin-missing", "actuator-missing", "guard-missing"})
"""Errors that go away when the right plugin joins."""
_RELATION = re.compile(r"\s*([a-z][a-z0-9-]*)\s*(.*?)\s*\Z")

Ask = Callable[[Problem], Sequence[Finding] | None]
"""Returns all findings about a robot; None where there is no answer, which counts as none."""


def together(
    problem: Problem,
    ask: Ask | None,
    *,
    broken: Broken,
    limit: int = LIMIT,
    step: Callable[[int], None] = lambda _: None,
) -> Together:
    """
    Return the maximal sets of the plugins in reach that go together.

    Args:
        problem: The robot; what its plugins' versions are locked to says nothing here.
        ask: Plans with software; None leaves software out.
        broken: Who can be in no set, and why.
        limit: So many sets at most, the largest.
        step: Told how many sets are found, after each robot that was planned.
    """
    return _Search(problem, ask, broken=broken, limit=limit, step=step).run()


class _Oracle:
    """Answers whether a set has errors, and remembers; sets are masks over the pool."""

    def __init__(
        self, problem: Problem, pool: Sequence[EnabledPlugin], ask: Ask, effort: int
    ) -> None:
        self._problem = problem
        self._pool = pool
        self._ask = ask
        self._effort = effort
        self._known: dict[int, tuple[Finding, ...]] = {}
        self.answered = True
        """Whether every question so far had an answer."""
        # What is wrong with the robot file alone says nothing about plugins.
        self._always = frozenset(_said(one) for one in self._errors(0))

    def allow(self, effort: int) -> None:
        """Let so many further sets be looked at."""
        self._effort = effort

    def errors(self, members: int) -> tuple[Finding, ...]:
        """Return the errors of the set that are about plugins."""
        return tuple(one for one in self._errors(members) if _said(one) not in self._always)

    def clashes(self, members: int) -> tuple[Finding, ...]:
        """Return the errors that stay whatever joins."""
        return tuple(one for one in self.errors(members) if one.rule not in _JOINABLE)

    def _errors(self, members: int) -> tuple[Finding, ...]:
        if members not in self._known:
            self._effort -= 1
            if self._effort < 0:
                raise OutOfEffort
            chosen = [one for at, one in enumerate(self._pool) if members >> at & 1]
            found = self._ask(with_enabled(self._problem, chosen))
            self.answered &= found is not None
            self._known[members] = tuple(
                one for one in found or () if one.severity is Severity.ERROR
            )
        return self._known[members]


def _bits(members: int) -> set[int]:
    return {1 << at for at in range(members.bit_length()) if members >> at & 1}


def _said(one: Finding) -> tuple[str, str]:
    return one.rule, one.message


class _Search:
    """The exchange between rules and oracles."""

    def __init__(
        self,
        problem: Problem,
        ask: Ask | None,
        *,
        broken: Broken,
        limit: int,
        step: Callable[[int], None],
    ) -> None:
        self._pool = pool_of(problem)
        self._problem = with_enabled(problem, self._pool)
        self._limit = limit
        self._step = step
        self._rules = Rules(size=len(self._pool), effort=_STEPS)
        self._clashes: dict[int, tuple[RuleName, str]] = {}
        self._good: list[int] = []
        self._oracles = [_Oracle(problem, self._pool, findings_without_indices, _ASKED)]
        if ask is not None:
            self._oracles.append(_Oracle(problem, self._pool, ask, _ASKED_SOFTWARE))
        found = instances_of(self._problem.robot, None, problem.manifests)
        by_name = {one.name: one for one in found}
        self._instances = [by_name[one.instance] for one in self._pool]
        self._places = {one.instance: at for at, one in enumerate(self._pool)}
        self._alike = alike_in(self._problem, self._pool, broken)
        for all_of, one_of in self._alike.orders():
            self._rules.add(all_of, one_of)
        for at, one in enumerate(self._pool):
            if one.instance in broken:
                self._learn(1 << at, 0, broken[one.instance])
        for all_of, one_of in self._relations():
            self._rules.add(all_of, one_of)

    def run(self) -> Together:
        """Return what `together` returns."""
        more = stopped = False
        try:
            while (members := self._rules.largest()) is not None:
                if not self._is_good(members):
                    continue
                if len(self._good) == self._limit:
                    more = True
                    break
                self._good.append(members)
                self._rules.forbid_parts_of(members)
        except OutOfEffort:
            stopped = True
            if not self._good:
                self._good = self._grown()
        told = sorted(
            (one for one in self._good if one),
            key=lambda one: (-one.bit_count(), self._names(one)),
        )
        sets = self._everyone_of(told)
        more |= len(sets) < sum(self._alike.count(one) for one in told)
        return Together(
            instances=self._names(self._rules.everyone),
            sets=tuple(sorted(sets, key=lambda one: (-len(one), one))),
            clashes=tuple(self._told_clashes()),
            nowhere=tuple(self._nowhere(finished=not more and not stopped)),
            alike=tuple(
                tuple(self._pool[at].instance for at in group) for group in self._alike.groups
            ),
            limit=self._limit,
            more=more,
            stopped=stopped,
            software=len(self._oracles) > 1 and self._oracles[-1].answered,
        )

    def _everyone_of(self, told: Sequence[int]) -> list[tuple[InstanceName, ...]]:
        """Return the sets that *told* stand for, as many as may be told; first one of each."""
        kept = list(told[: self._limit])
        room = self._limit - len(kept)
        for one in told:
            for image in self._alike.every(one, room + 1):
                if room and image != one:
                    kept.append(image)
                    room -= 1
        return [self._names(one) for one in kept]

    def _names(self, members: int) -> tuple[InstanceName, ...]:
        return tuple(one.instance for at, one in enumerate(self._pool) if members >> at & 1)

    # --- what stands in the manifests ---------------------------------------------------------

    def _relations(self) -> Iterator[tuple[int, int]]:
        """Yield who needs whom; what they say too little of is found out by planning."""
        animated = {
            name for one in self._problem.robot.controllers.values() for name in one.moves_alone
        }
        everyone = self._instances
        for at, one in enumerate(everyone):
            for text in one.manifest.needs:
                yield 1 << at, self._providers(text.text)
            for text in one.manifest.plugins:
                name = _plugin_of(text.text)
                if name is not None:
                    yield 1 << at, self._mask(each.manifest.plugin == name for each in everyone)
            for text in one.manifest.topics.commands:
                if text.text not in animated:
                    yield 1 << at, self._mask(text.text in _actuators(each) for each in everyone)
            for claim in one.manifest.base.hardware:
                if isinstance(claim, ActuatorClaim) and claim.hazard is Hazard.HEAT:
                    yield 1 << at, 0 if claim.guard is None else self._providers(claim.guard)

    def _providers(self, capability: str) -> int:
        return self._mask(capability in one.manifest.provides for one in self._instances)

    def _mask(self, wanted: Iterable[bool]) -> int:
        return sum(1 << at for at, one in enumerate(wanted) if one)

    # --- what planning tells ------------------------------------------------------------------

    def _is_good(self, members: int) -> bool:
        """Whether the set has no errors; where it has, a rule that it breaks is added."""
        for oracle in self._oracles:
            errors = oracle.errors(members)
            self._step(len(self._good))
            if errors:
                if not self._learn_from(oracle, members, errors):
                    # No part of it explains the error, so it says nothing of other sets.
                    self._rules.add(members, self._rules.everyone & ~members)
                return False
        return True

    def _learn_from(self, oracle: _Oracle, members: int, errors: Iterable[Finding]) -> bool:
        """Add what the errors teach; False: nothing that rules *members* out."""
        wiser = False
        for one in errors:
            if one.rule in _JOINABLE:
                continue
            part = members & sum(1 << self._places[n] for n in one.plugins if n in self._places)
            if part and oracle.clashes(part):
                for core in self._cores(oracle, part):
                    # What was said about exactly these plugins says more than what is said of
                    # them alone.
                    wiser |= self._learn_core(oracle, core, members, one if core == part else None)
        if not wiser and oracle.clashes(members):
            wiser = self._learn_core(oracle, self._irreducible(oracle, members), members)
        return wiser

    def _learn_core(
        self, oracle: _Oracle, core: int, members: int, said: Finding | None = None
    ) -> bool:
        """Add the rule that *core* does not go together; whether *members* breaks it."""
        way_out = self._deciders(core)
        first = self._alike.first(core)
        if not core or any(not first & ~one and not way_out & one for one in self._good):
            return False  # a larger set with it was fine, so something that joined helped
        error = said or oracle.clashes(core)[0]
        self._learn(core, way_out, (error.rule, error.message))
        return not core & ~members and not way_out & members

    def _learn(self, core: int, way_out: int, reason: tuple[RuleName, str]) -> None:
        first = self._alike.first(core)
        reason = self._renamed(reason, core, first)
        core = first
        self._rules.add(core, way_out)
        self._clashes.setdefault(core, reason)

    def _deciders(self, core: int) -> int:
        """Return the instances whose joining decides between rival providers within *core*."""
        found = 0
        for capability, wish in self._problem.robot.choose.items():
            at = self._places.get(InstanceName(wish.text))
            if at is None or capability not in self._instances[at].manifest.provides:
                continue
            rivals = (self._providers(capability) & core).bit_count() > 1
            wanted = any(
                core >> index & 1 and any(text.text == capability for text in one.manifest.needs)
                for index, one in enumerate(self._instances)
            )
            if rivals and wanted:
                found |= 1 << at
        return found & ~core

    def _cores(self, oracle: _Oracle, part: int) -> Iterator[int]:
        """Yield irreducible parts of *part*, which clashes: all pairs of a crowd, else one."""
        members = [1 << at for at in range(self._rules.size) if part >> at & 1]
        pairs = 0
        if 2 < len(members) <= _PAIRS:
            seen: set[int] = set()
            for at, one in enumerate(members):
                for other in members[:at]:
                    pair = self._alike.first(one | other)
                    if pair not in seen and oracle.clashes(pair):
                        pairs += 1
                        yield self._irreducible(oracle, pair)
                    seen.add(pair)
        if not pairs:
            yield self._irreducible(oracle, part)

    def _irreducible(self, oracle: _Oracle, part: int) -> int:
        """
        Return a part of *part* that clashes although none of its own parts does.

        Source:
            Junker, QuickXplain, AAAI 2004.
        """

        def split(ground: int, added: bool, members: list[int]) -> int:
            if added and oracle.clashes(ground):
                return 0
            if len(members) == 1:
                return members[0]
            half = len(members) // 2
            first, second = members[:half], members[half:]
            of_second = split(ground | sum(first), True, second)
            of_first = split(ground | of_second, bool(of_second), first)
            return of_first | of_second

        return split(0, False, [1 << at for at in range(self._rules.size) if part >> at & 1])

    # --- where the search is out of its depth --------------------------------------------------

    def _grown(self) -> list[int]:
        """
        Return some good sets, grown one by one around each member in turn.

        Where a crowd wants a few things, rules can be more than anyone can learn (any 27 of 40
        plugins with one line each): a few good sets are better than none, though not the largest.
        """
        for oracle in self._oracles:
            oracle.allow(_GROWN)
        sets: list[int] = []
        order = [1 << at for at in range(self._rules.size)]
        try:
            for first in order:
                if any(first & one for one in sets):
                    continue
                members = 0
                for one in (first, *order):
                    if not any(oracle.clashes(members | one) for oracle in self._oracles):
                        members |= one
                members = self._closed(members)
                if members and members not in sets:
                    sets.append(members)
        except OutOfEffort:
            pass
        return [one for one in sets if not any(one != more and not one & ~more for more in sets)]

    def _closed(self, members: int) -> int:
        """Return *members* without those who miss somebody."""
        while members:
            errors = [one for oracle in self._oracles for one in oracle.errors(members)]
            missing = sum(
                {
                    1 << self._places[name]
                    for one in errors
                    for name in one.plugins
                    if name in self._places
                }
                & _bits(members)
            )
            if not errors:
                break
            members = members & ~missing if missing else 0
        return members

    # --- what is told besides -----------------------------------------------------------------

    def _told_clashes(self) -> Iterator[Clash]:
        cores = sorted(self._clashes, key=lambda one: (one.bit_count(), self._names(one)))
        least = [
            core
            for at, core in enumerate(cores)
            if core.bit_count() > 1 and all(smaller & ~core for smaller in cores[:at])
        ]
        told = []
        for core in least:
            reason = self._clashes[core]
            many = self._alike.count(core) > _IMAGES
            for image in (core,) if many else self._alike.every(core, _IMAGES):
                rule, message = self._renamed(reason, core, image)
                told.append(Clash(instances=self._names(image), rule=rule, message=message))
        yield from sorted(told, key=lambda one: (len(one.instances), one.instances))

    def _renamed(
        self, reason: tuple[RuleName, str], members: int, others: int
    ) -> tuple[RuleName, str]:
        """Return *reason*, which was said of *members*, in the names of those like them."""
        rule, message = reason
        names = {
            self._pool[one].instance: self._pool[other].instance
            for one, other in self._alike.stand_ins(members, others)
        }
        return rule, _WORD.sub(lambda word: names.get(InstanceName(word[0]), word[0]), message)

    def _nowhere(self, *, finished: bool) -> Iterator[Clash]:
        """Yield who can be in no set; only what is certain where the search did not finish."""
        somewhere = 0
        for one in self._good:
            somewhere |= self._alike.all_of(one)
        for at in range(self._rules.size):
            member = 1 << at
            if somewhere & member or not (finished or member in self._clashes):
                continue
            try:
                rule, message = self._clashes.get(member) or self._why_not(member)
            except OutOfEffort:
                continue
            yield Clash(instances=self._names(member), rule=rule, message=message)

    def _why_not(self, member: int) -> tuple[RuleName, str]:
        """Return the first error of *member* with the largest set, else by itself."""
        largest = max(self._good, key=lambda one: one.bit_count(), default=0)
        for members in (member | largest, member):
            for oracle in self._oracles:
                name = self._names(member)[0]
                errors = oracle.errors(members)
                for error in (*(one for one in errors if name in one.plugins), *errors):
                    return error.rule, error.message
        raise OutOfEffort


def _plugin_of(relation: str) -> PluginName | None:
    """Return the plugin that *relation* names; None where it says nothing that can be checked."""
    parts = _RELATION.match(relation)
    if parts is None:
        return None
    try:
        SpecifierSet(parts[2])
    except InvalidSpecifier:
        return None
    return PluginName(parts[1])


def _actuators(one: Instance) -> frozenset[str]:
    """Return the names by which the actuators of *one*, in any variant, can be commanded."""
    manifest = one.manifest
    names = [
        str(claim.key.name)
        for needs in (manifest.base, *(variant.needs for variant in manifest.variants))
        for claim in needs.hardware
        if isinstance(claim, ActuatorClaim)
    ]
    return frozenset((*names, *(f"{one.name}.{name}" for name in names)))
