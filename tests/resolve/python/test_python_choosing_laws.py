"""
Laws of the search that learns: CP-SAT, resolvelib's engine and trying everything as judges.

Small indexes are drawn by hypothesis; larger ones from a seed, with ranges narrow enough that most
choices contradict each other somewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import product
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.version import Version

from robokit_plan.model import DistributionName
from robokit_plan.resolve.python import PythonRequirement
from robokit_plan.resolve.python._asked import read_units
from robokit_plan.resolve.python._parsing import bounds, find_specifier, find_version
from robokit_plan.resolve.python._search import Found, Stuck, search
from robokit_plan.resolve.python._units import asks_in
from robokit_plan.resolve.python._world import Ask, Candidate, World

from .backtracking import chosen
from .fake_python_index import TRIXIE, FakeIndex, Rel, ask, problem
from .judge import Judge

Rows = Mapping[str, Mapping[str, Sequence[str]]]
seeds = st.integers(0, 2**32 - 1)

NAMES = ("a", "b", "c")
small_texts = st.builds(
    "{}{}".format, st.sampled_from(NAMES), st.sampled_from(("", "<2", ">=2", "==1", "!=3", "<=3"))
)
small_indexes = st.fixed_dictionaries(
    dict.fromkeys(
        NAMES,
        st.dictionaries(
            st.sampled_from(("1", "2", "3", "4")),
            st.lists(small_texts, max_size=2, unique=True).map(tuple),
            min_size=1,
        ),
    )
)


def _drawn(seed: int) -> tuple[Rows, list[str]]:
    """Return rows of some dozens of distributions, and what is asked of them."""
    draw = Random(seed)
    names = [f"p{number:02}" for number in range(draw.randint(8, 40))]
    most = draw.randint(4, 12)
    width = draw.randint(0, most // 2)

    def bound(name: str) -> str:
        low = draw.randint(1, most)
        return f"{name}>={low},<={low + draw.randint(0, width)}"

    rows = {
        name: {
            str(version): [
                bound(one)
                for one in draw.sample(names, draw.randint(0, draw.randint(1, 5)))
                if one != name
            ]
            for version in range(1, most + 1)
        }
        for name in names
    }
    asked = draw.sample(names, draw.randint(1, 6))
    return rows, [bound(one) if draw.random() < 0.3 else one for one in asked]


def _searched(index: FakeIndex, asked: Iterable[str]) -> Found | Stuck:
    question = problem(*asked)
    world = World(question, index.whole(but=[Requirement(one).name for one in asked]))
    units, _ = read_units(question, world)
    found = search(world, asks_in(units))
    assert isinstance(found, Found | Stuck)
    return found


def _versions(found: Found) -> dict[str, str]:
    return {
        one.name: str(one.release.version)
        for one in found.chosen.values()
        if one.release is not None
    }


def _judge(rows: Rows) -> Judge:
    return Judge(
        {
            name: [
                {"file": f"{name}-{version}-py3-none-any.whl", "requires": lines}
                for version, lines in releases.items()
            ]
            for name, releases in rows.items()
        },
        TRIXIE,
    )


def _keeps_to(rows: Rows, asked: Iterable[str], versions: Mapping[str, str]) -> bool:
    lines = [*asked, *(line for name, one in versions.items() for line in rows[name][one])]
    return all(
        one.name in versions and one.specifier.contains(versions[one.name])
        for one in map(Requirement, lines)
    )


@settings(max_examples=60, deadline=None)
@given(seed=seeds)
def test_a_set_is_found_exactly_where_a_solver_of_constraints_finds_one(seed: int) -> None:
    """And what is said to exclude each other does so by itself."""
    rows, asked = _drawn(seed)
    judge = _judge(rows)
    found = _searched(FakeIndex().add(rows), asked)
    assert isinstance(found, Found) == judge.holds(asked)
    if isinstance(found, Found):
        assert _keeps_to(rows, asked, _versions(found))
    else:
        assert not found.too_deep
        core = [ask.text for ask in found.core]
        assert core
        assert set(core) <= set(asked)
        assert not judge.holds(core)
        assert found.causes
        assert all(_is_asked(rows, asked, ask, parent) for ask, parent in found.causes)


def _is_asked(rows: Rows, asked: Sequence[str], ask: Ask, parent: Candidate | None) -> bool:
    """Whether *ask* stands in the rows as *parent* has it, or is one of the *asked*."""
    if parent is None:
        return ask.text in asked
    release = parent.release
    assert release is not None
    return Requirement(ask.text) in map(Requirement, rows[release.name][str(release.version)])


@settings(max_examples=60, deadline=None)
@given(seed=seeds)
def test_agrees_with_a_search_that_steps_back(seed: int) -> None:
    """Both find something or both nothing; what took no step back is the same choice."""
    rows, asked = _drawn(seed)
    other = chosen(rows, asked)
    if other is None:
        return  # it gave up
    found = _searched(FakeIndex().add(rows), asked)
    assert isinstance(found, Found) == (other[0] is not None)
    if isinstance(found, Found) and other[1]:
        assert _versions(found) == other[0]


@settings(max_examples=150, deadline=None)
@given(rows=small_indexes, asked=st.lists(small_texts, min_size=1, max_size=4, unique=True))
def test_no_other_set_is_as_new_throughout_and_newer_somewhere(
    rows: Rows, asked: list[str]
) -> None:
    found = _searched(FakeIndex().add(rows), asked)
    if isinstance(found, Stuck):
        return
    ours = _versions(found)
    for some in product(*([None, *rows[name]] for name in NAMES)):
        other = {name: one for name, one in zip(NAMES, some, strict=True) if one is not None}
        if other.keys() >= ours.keys() and _keeps_to(rows, asked, other):
            newer = [int(other[name]) - int(one) for name, one in ours.items()]
            assert min(newer) < 0 or max(newer) == 0, other


# Everything tried: pre-releases and yanked releases

SPECS = ("", "<2", ">=2", "==1", "==2", "!=2", ">=2rc1", "==2rc1", "<=3", "==3.*", "<3")
texts = st.builds("{}{}".format, st.sampled_from(NAMES), st.sampled_from(SPECS))
releases = st.builds(
    Rel,
    requires=st.lists(texts, max_size=2, unique=True).map(tuple),
    yanked=st.sampled_from((None, None, "broken")),
)
indexes = st.fixed_dictionaries(
    {
        name: st.dictionaries(
            st.sampled_from(("1", "2rc1", "2", "3b2", "3")), releases, min_size=1, max_size=4
        )
        for name in NAMES
    }
)
asked_lists = st.lists(texts, min_size=1, max_size=4, unique=True)
Index = Mapping[str, Mapping[str, Rel]]


def _valid(rows: Index, asked: Iterable[str]) -> Iterator[dict[str, str]]:
    """Yield every set that meets all that is asked, and holds nothing besides."""
    for some in product(*([None, *rows[name]] for name in NAMES)):
        taken = {name: one for name, one in zip(NAMES, some, strict=True) if one is not None}
        lines = [
            *asked,
            *(t for name, one in taken.items() for t in rows[name][one].requires or ()),
        ]
        asks: dict[str, list[SpecifierSet]] = {}
        for one in map(Requirement, lines):
            asks.setdefault(one.name, []).append(one.specifier)
        if asks.keys() == taken.keys() == _led_to(rows, asked, taken) and all(
            _let_in(rows[name], asks[name], Version(taken[name])) for name in taken
        ):
            yield taken


def _led_to(rows: Index, asked: Iterable[str], taken: Mapping[str, str]) -> set[str]:
    found: set[str] = set()
    left = [Requirement(one).name for one in asked]
    while left:
        name = left.pop()
        if name not in found and name in taken:
            found.add(name)
            left += [Requirement(one).name for one in rows[name][taken[name]].requires or ()]
    return found


def _let_in(files: Mapping[str, Rel], asks: Iterable[SpecifierSet], version: Version) -> bool:
    """
    Whether *version* may be taken.

    Source:
        PEP 592: a yanked release only where something names it by ``==``. PEP 440, "Handling of
        pre-releases": one only where a specifier names one or nothing final fits.
    """
    exact = any(
        one.operator == "==" and not one.version.endswith(".*") for ask in asks for one in ask
    )
    there = [Version(text) for text, one in files.items() if exact or one.yanked is None]
    joined = SpecifierSet(",".join(str(ask) for ask in asks if str(ask)))
    return version in joined.filter(there)


def _of_others(name: str, row: Rel) -> Rel:
    lines = tuple(one for one in row.requires or () if Requirement(one).name != name)
    return replace(row, requires=lines)


@settings(max_examples=250, deadline=None)
@given(rows=indexes, asked=asked_lists)
def test_what_only_some_asks_let_in(rows: Index, asked: list[str]) -> None:
    """A set is found exactly where there is one, but for what only a further look would show."""
    # What a release asks of its own name lets nothing in: it would have to be let in first.
    rows = {name: {one: _of_others(name, row) for one, row in rows[name].items()} for name in rows}
    every = list(_valid(rows, asked))
    found = _searched(FakeIndex().add(rows), asked)
    if isinstance(found, Stuck):
        assert not any(_stands_by_itself(rows, asked, one) for one in every)
        return
    versions = _versions(found)
    assert versions in every


def _stands_by_itself(rows: Index, asked: Iterable[str], taken: Mapping[str, str]) -> bool:
    """
    Whether no release of *taken* is a pre-release or yanked, unless what is *asked* lets it in.

    See `test_a_pre_release_that_only_what_was_not_looked_into_would_let_in`.
    """
    asks: dict[str, list[SpecifierSet]] = {}
    for one in map(Requirement, asked):
        asks.setdefault(one.name, []).append(one.specifier)
    return all(
        (not Version(text).is_prerelease and rows[name][text].yanked is None)
        or (name in asks and _let_in(rows[name], asks[name], Version(text)))
        for name, text in taken.items()
    )


def test_a_pre_release_that_only_what_was_not_looked_into_would_let_in() -> None:
    """
    A set with `b 2rc1` and `c 2` holds together, and nobody finds it who does not read old releases of c.

    No clash has a part in c, of which the newest release does. Source: pip 26.3, asked for ``a``
    with these as wheels, ends in ResolutionImpossible: "b 2 depends on a==1".
    """
    rows = {
        "a": {"3": Rel(requires=("b", "c"))},
        "b": {"2": Rel(requires=("a==1",)), "2rc1": Rel()},
        "c": {"3": Rel(), "2": Rel(requires=("b==2rc1",))},
    }
    assert list(_valid(rows, ["a"])) == [{"a": "3", "b": "2rc1", "c": "2"}]
    assert isinstance(_searched(FakeIndex().add(rows), ["a"]), Stuck)
    found = _searched(FakeIndex().add(rows), ["a", "c<3"])
    assert isinstance(found, Found)
    assert _versions(found) == {"a": "3", "b": "2rc1", "c": "2"}


Y = "yanked"
RARE: list[tuple[Mapping[str, Mapping[str, Sequence[str]]], list[str]]] = [
    (
        {
            "a": {"2": [Y]},
            "b": {"2rc1": [], "3b2": ["c>=2rc1"], "3": ["c<=3"]},
            "c": {"1": [Y], "2": ["b==2rc1"], "2rc1": [], "3": ["a>=2", "b==2rc1"]},
        },
        ["b", "b<=3"],
    ),
    (
        {
            "a": {"2": [], "2rc1": [], "3": ["b==2"]},
            "b": {"3b2": ["a==3.*", Y]},
            "c": {"1": ["a==2rc1", "b==3.*"], "2rc1": ["a"], "2": ["b<2"], "3": [Y]},
        },
        ["a<=3", "c"],
    ),
    (
        {
            "a": {"2rc1": [Y], "2": ["c==2rc1"]},
            "b": {"3": [], "2": [], "1": ["a==2rc1"], "3b2": ["a!=2", Y]},
            "c": {"3": ["a>=2rc1", "b>=2"], "3b2": [], "1": [], "2": ["b<2"]},
        },
        ["c>=2"],
    ),
    (
        {
            "a": {"2": ["b==1"], "3": ["b"], "3b2": ["b<3", "c<=3"]},
            "b": {"3": ["c==3.*"], "2rc1": ["a==1", Y], "2": [Y], "1": ["a<3"]},
            "c": {"1": ["a"]},
        },
        ["a>=2rc1"],
    ),
    (
        {
            "a": {"3": [Y], "2": ["b==2"], "2rc1": ["c"], "3b2": ["b==2"]},
            "b": {"2": ["c==2rc1"], "3": [], "3b2": [], "1": ["a==3.*"]},
            "c": {"2": ["a<=3"], "3": ["a==3.*"], "3b2": ["b==2"], "2rc1": []},
        },
        ["b<=3", "c<3"],
    ),
    (
        {
            "a": {"3b2": ["c!=2"], "1": ["c<2", Y], "2rc1": ["c==2"]},
            "b": {"3": [], "3b2": ["a==3.*"], "2rc1": [Y], "2": ["c==2rc1", "c==3.*"]},
            "c": {
                "3": [Y],
                "3b2": ["a>=2rc1", "b==2rc1"],
                "2": ["a>=2"],
                "2rc1": ["a==2rc1", "b<2"],
            },
        },
        ["c<=3"],
    ),
    (
        {
            "a": {"2": ["c==1"], "2rc1": ["b!=2", Y]},
            "b": {"2rc1": [Y], "3b2": []},
            "c": {"2": ["a==2"], "1": [Y], "2rc1": ["b<=3", Y], "3b2": ["b"]},
        },
        ["b>=2rc1", "c"],
    ),
    (
        {
            "c": {"2": ["a==1"], "2rc1": ["b!=2", Y]},
            "b": {"2rc1": [Y], "3b2": []},
            "a": {"2": ["c==2"], "1": [Y], "2rc1": ["b<=3", Y], "3b2": ["b"]},
        },
        ["b>=2rc1", "a"],
    ),
]
"""Of some ten thousand drawn ones: the search gives up a closed choice, begins anew, or takes too much."""


@pytest.mark.parametrize(("lines", "asked"), RARE)
def test_what_is_seldom_drawn(
    lines: Mapping[str, Mapping[str, Sequence[str]]], asked: list[str]
) -> None:
    """Exactly, here."""
    rows = {
        name: {
            version: Rel(
                requires=tuple(one for one in some if one != Y),
                yanked="broken" if Y in some else None,
            )
            for version, some in releases.items()
        }
        for name, releases in lines.items()
    }
    every = list(_valid(rows, asked))
    found = _searched(FakeIndex().add(rows), asked)
    assert isinstance(found, Found) is bool(every)
    if isinstance(found, Found):
        assert _versions(found) in every
    else:
        core = [one.text for one in found.core]
        assert core
        assert list(_valid(rows, core)) == []


@settings(max_examples=60, deadline=None)
@given(seed=seeds, data=st.data())
def test_the_order_of_plugins_changes_nothing(seed: int, data: st.DataObject) -> None:
    """Neither the choice nor the words: each line is asked by two plugins, in any order."""
    rows, asked = _drawn(seed)
    lines = [ask(text, plugin) for text in asked for plugin in ("helm", "sonar")]
    world = World(problem(*lines), FakeIndex().add(rows).whole())
    asks = [one for line in lines for one in _asks(world, line)]
    told = [search(world, some) for some in (asks, data.draw(st.permutations(asks)))]
    assert told[0] == told[1]


def _asks(world: World, line: PythonRequirement) -> Iterable[Ask]:
    return asks_in(read_units(problem(line), world)[0])


# Which releases a specifier can let in at all

version_texts = st.builds(
    "{}{}{}{}{}".format,
    st.sampled_from(("", "", "1!")),
    st.sampled_from(("1", "1.0", "1.1", "1.1.0", "1.1.5", "1.2", "2", "2.0.1", "0.9")),
    st.sampled_from(("", "", "", "a1", "rc2", ".dev3", "a1.dev2")),
    st.sampled_from(("", "", ".post1")),
    st.sampled_from(("", "", "", "+local.7")),
).filter(lambda text: find_version(text) is not None)
specifier_texts = st.one_of(
    st.builds("{}{}".format, st.sampled_from(("==", "!=")), version_texts),
    st.builds(
        "{}{}".format,
        st.sampled_from((">=", "<=", ">", "<", "~=", "===")),
        version_texts.filter(lambda text: "+" not in text),
    ),
    st.builds("{}{}.*".format, st.sampled_from(("==", "!=")), st.sampled_from(("1", "1.1", "2.0"))),
)


@settings(max_examples=500, deadline=None)
@given(
    texts=st.lists(version_texts, min_size=1, max_size=8, unique_by=Version),
    specifiers=st.lists(specifier_texts, min_size=1, max_size=3),
)
def test_bounds_cut_off_nothing_that_fits(texts: list[str], specifiers: list[str]) -> None:
    """What is looked up between bounds is what packaging finds by asking about each release."""
    specifier = ",".join(specifiers)
    if find_specifier(specifier) is None:
        return
    index = FakeIndex().add({"a": {one: [] for one in texts}})
    world = World(problem("a"), index.whole())
    project = world.project(DistributionName("a"))
    assert project is not None
    # The name of a file can spell less than PEP 440 allows.
    there = {release.version for release in project.releases}
    expected = {one for one in there if SpecifierSet(specifier).contains(one, prereleases=True)}
    assert {release.version for release in project.fitting(specifier)} == expected


def test_a_text_that_is_no_version_bounds_nothing() -> None:
    """PEP 440, "Arbitrary equality": ``===`` compares texts, which need not be versions."""
    assert bounds("===as-it-is") == (None, None)
    assert bounds("===as-it-is,>=2,<3") == (Version("2"), Version("3"))
