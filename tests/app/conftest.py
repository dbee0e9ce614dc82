"""The robots that the command line's tests have."""

from __future__ import annotations

from tests.cli.conftest import command, dinghy  # noqa: F401  fixtures of tests here
from tests.cli.skiff import the_skiff  # noqa: F401
