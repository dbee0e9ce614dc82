"""Style sheet and program of the report page, as they lie in the package."""

from __future__ import annotations

from ._cached_yaml import DATA


def read_report_files() -> tuple[str, str]:
    """
    Return the style sheet and the program of the page.

    Raises:
        OSError: The package is broken: one of its own files is missing.
    """
    folder = DATA / "report"
    return (folder / "report.css").read_text("utf-8"), (folder / "report.js").read_text("utf-8")
