"""Rules of one manifest or one robot file; pure, without network."""

from ._allowances import RuleKind, settle
from ._code import check_removed_imports
from ._manifest import lint_manifest
from ._names import debian_names, distribution_of
from ._program import check_program_file
from ._relations import actuators_of
from ._robot import lint_robot
from ._secrets import lint_text

__all__ = [
    "RuleKind",
    "actuators_of",
    "check_program_file",
    "check_removed_imports",
    "debian_names",
    "distribution_of",
    "lint_manifest",
    "lint_robot",
    "lint_text",
    "settle",
]
