"""Licences of distributions as SPDX expressions, or their makers' own words."""

from __future__ import annotations

import pytest
from packaging.licenses import canonicalize_license_expression

from robokit_plan.model import DistributionMetadata, DistributionName
from robokit_plan.resolve.python._licenses import license_of

from .fake_python_index import FACTS

AMBIGUOUS = [
    "Academic Free License (AFL)",
    "Apache Software License",
    "Apple Public Source License",
    "Artistic License",
    "BSD License",
    "GNU Affero General Public License v3",
    "GNU Free Documentation License (FDL)",
    "GNU General Public License (GPL)",
    "GNU General Public License v2 (GPLv2)",
    "GNU General Public License v3 (GPLv3)",
    "GNU Lesser General Public License v2 (LGPLv2)",
    "GNU Lesser General Public License v2 or later (LGPLv2+)",
    "GNU Lesser General Public License v3 (LGPLv3)",
    "GNU Library or Lesser General Public License (LGPL)",
]
"""Source: PEP 639, appendix "Mapping License Classifiers to SPDX Identifiers", read 2026-11."""


def _of(words: str | None, *classifiers: str) -> str | None:
    found = DistributionMetadata(
        name=DistributionName("x"), version="1", requires_dist=(), license=words,
        license_classifiers=tuple(f"License :: OSI Approved :: {one}" for one in classifiers),
    )  # fmt: skip
    return license_of(found, FACTS.licenses)


def test_every_identifier_of_the_table_is_of_the_spdx_list() -> None:
    """`packaging` carries the SPDX License List, and writes each identifier as that does."""
    known = {*FACTS.licenses.classifiers.values(), *FACTS.licenses.words.values()}
    assert len(known) > 15
    assert {one: canonicalize_license_expression(one) for one in known} == {o: o for o in known}


def test_the_table_holds_words_as_they_are_looked_up() -> None:
    words = FACTS.licenses.words
    assert [one for one in words if one != " ".join(one.lower().split())] == []


@pytest.mark.parametrize("classifier", AMBIGUOUS)
def test_nothing_is_inferred_from_an_ambiguous_classifier(classifier: str) -> None:
    """Tools must not infer an expression from one of these (PEP 639)."""
    assert _of(None, classifier) is None
    assert _of("as in LICENSE", classifier) == "as in LICENSE"


@pytest.mark.parametrize(
    ("words", "classifiers", "expected"),
    [
        ("MIT OR Apache-2.0", (), "MIT OR Apache-2.0"),
        ("mit and (apache-2.0 or bsd-2-clause)", (), "MIT AND (Apache-2.0 OR BSD-2-Clause)"),  # PEP 639, case of identifiers
        ("Apache  2.0", (), "Apache-2.0"),
        ("Apache License, Version 2.0", ("Apache Software License",), "Apache-2.0"),
        (None, ("MIT License",), "MIT"),
        ("GPL", ("GNU General Public License v3 or later (GPLv3+)",), "GPL-3.0-or-later"),
        # several classifiers: whether all hold or one may be chosen is not known (PEP 639)
        (None, ("MIT License", "ISC License (ISCL)"), None),
        ("BSD", ("BSD License",), "BSD"),
        (None, (), None),
    ],
)  # fmt: skip
def test_license(words: str | None, classifiers: tuple[str, ...], expected: str | None) -> None:
    assert _of(words, *classifiers) == expected


def test_without_metadata_nothing_is_said() -> None:
    assert license_of(None, FACTS.licenses) is None
