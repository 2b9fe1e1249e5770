"""Findings and times in a few words, the same on every screen."""

from collections.abc import Mapping

from fenceguard.journal.records import FindingTold


def number(value: float | str | None) -> str:
    """A number with as many digits as mean anything."""
    return f"{value:.3f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def cause_text(finding: FindingTold | None) -> str:
    """A finding in a few words: monitor, value, limit, unit."""
    if finding is None:
        return "cause not recorded"
    if finding.value is None:
        return f"{finding.monitor} unknown: {finding.note}"
    if isinstance(finding.value, str):
        return f"{finding.monitor} {finding.value}, wanted {finding.limit}"
    value, limit = number(finding.value), number(finding.limit)
    return f"{finding.monitor} {value}, limit {limit} {finding.unit}".rstrip()


def seconds_text(seconds: float | None) -> str:
    """A length of time, short: `12.3 s` or `4 min 05 s`."""
    if seconds is None:
        return "not ended"
    if seconds < 60.0:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"


def held_text(held_s: Mapping[str, float]) -> str:
    """What kept a mower below `full`, and for how long, the longest first."""
    longest_first = sorted(held_s.items(), key=lambda one: -one[1])
    told = [f"{name.replace('_', ' ')} {seconds_text(s)}" for name, s in longest_first if s > 0.0]
    return ", ".join(told) or "nothing for long"
