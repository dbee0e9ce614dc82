"""Laws of the Python part, on small random indexes, against a search that tries everything."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st
from packaging.requirements import Requirement

from robokit_plan.model import Finding, Severity
from robokit_plan.resolve.python import PythonAnswer, PythonRequirement, resolve_python

from .fake_python_index import FakeIndex, Rel, answer_of, ask, problem, versions

NAMES = ("a", "b", "c", "d")
SPECS = ("", "<2", ">=2", "==1", "!=2", "<=2", "==2", "<3,>=2")
Rows = Mapping[str, Mapping[str, tuple[str, ...]]]

requirement_texts = st.builds("{}{}".format, st.sampled_from(NAMES), st.sampled_from(SPECS))
releases = st.dictionaries(
    st.sampled_from(("1", "2", "3")),
    st.lists(requirement_texts, max_size=2, unique=True).map(tuple),
    min_size=1,
)
indexes = st.fixed_dictionaries(dict.fromkeys(NAMES, releases))
asked_lists = st.lists(requirement_texts, min_size=1, max_size=4, unique=True)


def _lets_in(requirement: str, chosen: Mapping[str, str | None]) -> bool:
    parsed = Requirement(requirement)
    version = chosen.get(parsed.name)
    return version is not None and parsed.specifier.contains(version)


def _holds(rows: Rows, asked: Iterable[str], chosen: Mapping[str, str | None]) -> bool:
    """Whether *chosen* meets everything: the whole of what an install set must do."""
    return all(_lets_in(one, chosen) for one in asked) and all(
        _lets_in(one, chosen)
        for name, version in chosen.items()
        if version is not None
        for one in rows[name][version]
    )


def _feasible(rows: Rows, asked: Iterable[str]) -> bool:
    asked = list(asked)
    for versions_of in product(*([None, *rows[name]] for name in NAMES)):
        if _holds(rows, asked, dict(zip(NAMES, versions_of, strict=True))):
            return True
    return False


def _asked(texts: Iterable[str]) -> list[PythonRequirement]:
    return [ask(text, f"plugin-{number}", line=number) for number, text in enumerate(texts)]


def _errors(answer: PythonAnswer) -> list[Finding]:
    return [one for one in answer.findings if one.severity is Severity.ERROR]


def _index(rows: Rows) -> FakeIndex:
    return FakeIndex().add(rows)


@settings(max_examples=150, deadline=None)
@given(rows=indexes, texts=asked_lists)
def test_finds_a_set_exactly_where_one_exists(rows: Rows, texts: list[str]) -> None:
    answer = answer_of(problem(*_asked(texts)), _index(rows))
    assert (not _errors(answer)) == _feasible(rows, texts)
    if not _errors(answer):
        assert _holds(rows, texts, versions(answer))


@settings(max_examples=60, deadline=None)
@given(rows=indexes, texts=asked_lists, data=st.data())
def test_order_of_requirements_never_matters(
    rows: Rows, texts: list[str], data: st.DataObject
) -> None:
    lines = _asked(texts)
    mixed = data.draw(st.permutations(lines))
    assert answer_of(problem(*lines), _index(rows)) == answer_of(problem(*mixed), _index(rows))


@settings(max_examples=60, deadline=None)
@given(rows=indexes, texts=asked_lists)
def test_rows_that_were_not_read_never_matter(rows: Rows, texts: list[str]) -> None:
    """Asking row by row ends in what a run over the whole index says at once."""
    index = _index({**rows, "unread": {"1": ("a==1",), "2": ()}})
    question = problem(*_asked(texts))
    whole = resolve_python(question, index.whole())
    assert isinstance(whole, PythonAnswer)
    assert answer_of(question, index) == whole
    assert answer_of(question, _index(rows)) == whole


@settings(max_examples=100, deadline=None)
@given(rows=indexes, texts=asked_lists)
def test_a_reported_conflict_is_minimal_and_real(rows: Rows, texts: list[str]) -> None:
    answer = answer_of(problem(*_asked(texts)), _index(rows))
    for one in _errors(answer):
        blamed = [place.label.split(" asks for ")[1] for place in one.places]
        assert not _feasible(rows, blamed)
        for left_out in blamed:
            assert _feasible(rows, [text for text in blamed if text != left_out])


@settings(max_examples=100, deadline=None)
@given(rows=indexes, texts=asked_lists)
def test_each_repair_of_a_single_conflict_mends_it(rows: Rows, texts: list[str]) -> None:
    answer = answer_of(problem(*_asked(texts)), _index(rows))
    errors = [one for one in _errors(answer) if one.rule == "python-conflict"]
    if len(_errors(answer)) != 1 or not errors:
        return
    for repair in errors[0].repair:
        if repair.startswith("robokit-plan disable"):
            gone = {int(number) for number in re.findall(r"plugin-(\d+)", repair)}
            left = [text for number, text in enumerate(texts) if number not in gone]
        else:
            found = re.fullmatch(
                r'python: \{requires: \["(\w+)(.*)"\]\}   in the manifests? of (.+)', repair
            )
            assert found is not None, repair
            eased = {int(number) for number in re.findall(r"plugin-(\d+)", found[3])}
            left = [
                f"{found[1]}{found[2]}" if number in eased else text
                for number, text in enumerate(texts)
            ]
        assert _feasible(rows, left), repair


tags = st.sampled_from(
    ("py3-none-any", "cp313-cp313-manylinux_2_17_aarch64", "cp311-cp311-manylinux_2_17_aarch64")
)
mixed_releases = st.builds(
    Rel,
    requires=st.lists(requirement_texts, max_size=2, unique=True).map(tuple),
    tags=st.lists(tags, max_size=2, unique=True).map(tuple),
    sdist=st.booleans(),
    yanked=st.sampled_from((None, None, None, "broken")),
    requires_python=st.sampled_from((None, None, ">=3.12", "<3.12")),
)


@settings(max_examples=100, deadline=None)
@given(
    rows=st.fixed_dictionaries(
        {
            name: st.dictionaries(st.sampled_from(("1", "2", "3")), mixed_releases, min_size=1)
            for name in NAMES
        }
    ),
    texts=asked_lists,
)
def test_every_pin_is_allowed_and_installable(
    rows: Mapping[str, Mapping[str, Rel]], texts: list[str]
) -> None:
    """Whatever else is wrong, a pin has a file for the target and keeps to all that is asked."""
    index = FakeIndex().add({**rows, "setuptools": {"80": ()}})
    question = problem(*_asked(texts))
    answer = answer_of(question, index)
    pins = versions(answer)
    for pin in answer.pins:
        release = rows[pin.name][pin.version]
        assert release.requires_python != "<3.12"
        if pin.is_wheel:
            assert "cp311" not in pin.file.filename
        else:
            # An archive only where no allowed version has a wheel that was free to be taken.
            assert release.sdist
        for one in release.requires or ():
            assert _lets_in(one, pins)
        if release.yanked is not None:
            # Asked for exactly by something that was met; a release given up later may count.
            everything = [
                *texts,
                *(t for r in rows.values() for x in r.values() for t in x.requires or ()),
            ]
            assert {f"{pin.name}==1", f"{pin.name}==2"} & set(everything)
    assert resolve_python(question, index.whole()) == answer
