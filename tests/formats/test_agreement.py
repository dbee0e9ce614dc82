"""Reader and schema agree; ``python -m tests.bench.agree`` tries many more."""

from __future__ import annotations

import pytest

from .agreement import FORMATS, judged


@pytest.mark.parametrize("name", FORMATS)
def test_reader_and_schema_agree(name: str) -> None:
    """Of valid and broken documents, both take the same."""
    read, apart = judged(name, 0, count=120)
    assert not apart
    assert 20 < read < 100
