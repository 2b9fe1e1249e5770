"""Findings and times in a few words, the same on every screen."""

from typing import Any


def number(value: float | str) -> str:
    """A number with as many digits as mean anything."""
    return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def cause_text(cause: dict[str, Any]) -> str:
    """A finding in a few words: monitor, value, limit, unit."""
    if cause["value"] is None:
        return f"{cause['monitor']} unknown: {cause['note']}"
    if isinstance(cause["value"], str):
        return f"{cause['monitor']} {cause['value']}, wanted {cause['limit']}"
    value, limit = number(cause["value"]), number(cause["limit"])
    return f"{cause['monitor']} {value}, limit {limit} {cause['unit']}".rstrip()


def seconds_text(seconds: float | None) -> str:
    """A length of time, short: `12.3 s` or `4 min 05 s`."""
    if seconds is None:
        return "not ended"
    if seconds < 60.0:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"
