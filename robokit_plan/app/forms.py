"""The forms in which answers are given, by the names that people type."""

from __future__ import annotations

FORMS = TEXT, NOTES, JSON = "text", "notes", "json"
"""The forms in which one answer of ``check`` is kept."""
LINT_FORMATS = (TEXT, "gnu", JSON, "sarif", "markdown", "annotations")
DIFF_FORMATS = (TEXT, JSON, "markdown")
REPORT_FORMATS = ("html", "cyclonedx")
WIRING_FORMATS = (TEXT, "svg", "csv", JSON, "nets", "parts", "parts-csv", "c-header")


def form_of(*, notes: bool, json: bool) -> str:
    """Return the form that these options ask for."""
    return JSON if json else NOTES if notes else TEXT
