"""The licence of a distribution as one SPDX expression, where its makers leave no choice."""

from __future__ import annotations

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

from robokit_plan.model import DistributionMetadata, LicenseFacts


def license_of(metadata: DistributionMetadata | None, facts: LicenseFacts) -> str | None:
    """
    Return the licence of what *metadata* is about: an SPDX expression where that is clear.

    Else the makers' own words, which are no expression; None where they say nothing. Nothing is
    inferred from several classifiers, or from one that may mean more than one licence.

    Source:
        PEP 639, appendix "Mapping License Classifiers to SPDX Identifiers".
    """
    if metadata is None:
        return None
    words = metadata.license
    if words is not None:
        try:
            return canonicalize_license_expression(words)
        except InvalidLicenseExpression:
            meant = facts.words.get(" ".join(words.lower().split()))
            if meant is not None:
                return meant
    if len(metadata.license_classifiers) == 1:
        return facts.classifiers.get(metadata.license_classifiers[0], words)
    return words
