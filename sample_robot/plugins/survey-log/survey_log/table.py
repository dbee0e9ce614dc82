"""A day's log as a table: ``python -m survey_log.table DAY.jsonl --topic sonar/depth``."""

from __future__ import annotations

import csv
import json
import sys

import click


@click.command()
@click.argument("log", type=click.File("r", encoding="utf-8"))
@click.option("--topic", default="water/quality", show_default=True)
def table(log, topic):
    """Write the values of one topic as CSV."""
    rows = csv.writer(sys.stdout)
    for line in log:
        entry = json.loads(line)
        if entry["topic"] == topic:
            value = entry["value"]
            rows.writerow([entry["at"], *(value.values() if isinstance(value, dict) else [value])])


if __name__ == "__main__":
    table()
