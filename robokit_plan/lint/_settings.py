"""Rules about a plugin's settings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import ceil, floor

from robokit_plan.model import Finding, Manifest, Setting, SettingValue, Severity, finding


def check_settings(manifest: Manifest) -> Iterator[Finding]:
    """The default is allowed by the setting's own type, bounds and choices."""
    for setting in manifest.settings.values():
        low, high = setting.minimum, setting.maximum
        if low is not None and high is not None and low > high:
            yield _finding(
                manifest,
                setting,
                f"setting {setting.name} has min {low} above max {high}",
                f"min: {high}, max: {low}",
            )
            continue
        if (low is not None or high is not None) and setting.type not in {"integer", "number"}:
            yield _finding(
                manifest,
                setting,
                f"setting {setting.name} is a {setting.type} and has min or max",
                "remove min and max, or type: number",
            )
        for value in setting.choices:
            if not _fits(setting.type, value):
                yield _finding(
                    manifest,
                    setting,
                    f"choice {value} of setting {setting.name} is no {setting.type}",
                    f"remove {value} from choices",
                )
        why = _why_not(setting)
        if why:
            yield _finding(
                manifest,
                setting,
                f"default {_word(setting.default)} of setting {setting.name} is {why}",
                f"default: {_word(_allowed(setting))}",
            )


def _finding(manifest: Manifest, setting: Setting, message: str, repair: str) -> Finding:
    return finding(
        "setting-default-invalid",
        Severity.ERROR,
        message,
        places=[setting.origin],
        why="an instance that sets nothing gets the default",
        repair=repair,
        plugins=[manifest.plugin],
    )


def _fits(kind: str, value: SettingValue) -> bool:
    number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return {
        "integer": isinstance(value, int) and not isinstance(value, bool),
        "number": number,
        "string": isinstance(value, str),
        "boolean": isinstance(value, bool),
    }[kind]


def _why_not(setting: Setting) -> str:
    value = setting.default
    if not _fits(setting.type, value):
        return f"no {setting.type}"
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if setting.minimum is not None and value < setting.minimum:
            return f"below min {setting.minimum}"
        if setting.maximum is not None and value > setting.maximum:
            return f"above max {setting.maximum}"
    if setting.choices and value not in setting.choices:
        return "not among choices"
    return ""


_EXACT = 2**53
"""Up to here a floating-point number stands for one whole number (IEEE 754, binary64)."""


def _allowed(setting: Setting) -> SettingValue:
    """Return a default that the setting's own type, bounds and choices let in."""
    for choice in setting.choices:
        if not _why_not(replace(setting, default=choice)):
            return choice
    samples: dict[str, SettingValue] = {"string": '""', "boolean": False}
    if setting.type in samples:
        return samples[setting.type]
    given = setting.default
    value: float = 0
    if isinstance(given, (int, float)) and -_EXACT <= given <= _EXACT:
        value = +given  # as a number, where it is a truth value
    low, high = setting.minimum, setting.maximum
    value = value if low is None else max(value, low)
    value = value if high is None else min(value, high)
    if setting.type == "number" or isinstance(value, int) or abs(value) > _EXACT:
        return value
    return floor(value) if low is None or floor(value) >= low else ceil(value)


def _word(value: SettingValue) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)
