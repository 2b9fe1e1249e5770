"""Findings and times in a few words, the same on every screen."""

from collections.abc import Collection, Mapping

from fenceguard.journal.records import FindingTold, Tells

LEAST_TOLD_S = 0.05
"""A shorter time is told as 0.0 s."""

COSTS = {
    "speed": "no RMC or VTG: steps and drifts of the position cannot be seen; the blade stays off "
    "unless trust.without_speed allows it",
    "course": "no course: which way the mower goes is not known",
    "heading": "no HDT or THS: where the mower points is known by its course alone, not while it "
    "stands or turns",
    "sigma": "no GST: an assumed error stands in for the receiver's own",
    "altitude": "no altitude: a wrong fix does not show in its height",
    "height": "no geoid separation: the height is not held against the lawn's surface",
}
"""What it costs that a receiver does not tell something, by its name in `receiver.tells`."""


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
    note = f" ({finding.note})" if finding.note else ""
    return f"{finding.monitor} {value}, limit {limit} {finding.unit}".rstrip() + note


def seconds_text(seconds: float | None) -> str:
    """A length of time, short: `12.3 s` or `4 min 05 s`."""
    if seconds is None:
        return "not ended"
    if seconds < 60.0:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"


def held_text(held_s: Mapping[str, float]) -> str:
    """What kept a mower below `full`, and for how long, the longest first.

    What held it for less than can be told (0.05 s) is left out, where anything held it longer.
    """
    longest_first = sorted(held_s.items(), key=lambda one: -one[1])
    told = [one for one in longest_first if one[1] >= LEAST_TOLD_S] or longest_first
    return ", ".join(f"{name.replace('_', ' ')} {seconds_text(spent_s)}" for name, spent_s in told)


def tells_text(tells: Tells) -> list[str]:
    """What a receiver tells, and what it costs that the rest is missing; a line for each."""
    rate = "" if tells.period_s is None else f" {1.0 / tells.period_s:g} times a second"
    lines = [f"The receiver tells its position{rate}; with it: {', '.join(tells.fields) or '-'}."]
    return lines + [f"It tells {cost}." for cost in costs(tells.fields)]


def costs(fields: Collection[str]) -> list[str]:
    """What it costs that a receiver tells no more than some fields."""
    return [cost for name, cost in COSTS.items() if name not in fields]
