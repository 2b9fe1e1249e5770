"""One intervention in plain words, with its numbers."""

from collections.abc import Callable
from typing import Any

from fenceguard.audit.interventions import Intervention, day_and_time, seconds_between
from fenceguard.text import cause_text, number, seconds_text

Finding = dict[str, Any]

REASONS: dict[str, Callable[[Finding], str]] = {
    "silence": lambda f: (
        f"no valid epoch had come for {number(f['value'])} s; {number(f['limit'])} s are allowed"
    ),
    "frozen": lambda f: (
        f"the receiver's clock hung {number(f['value'])} s behind; "
        f"{number(f['limit'])} s are allowed"
    ),
    "solution": lambda f: f"the solution was {f['value']}; {f['limit']} or better is needed",
    "correction_age": lambda f: (
        f"the corrections were {number(f['value'])} s old; {number(f['limit'])} s are allowed"
    ),
    "satellites": lambda f: (
        f"only {number(f['value'])} satellites were used; {number(f['limit'])} are needed"
    ),
    "hdop": lambda f: f"HDOP was {number(f['value'])}; {number(f['limit'])} is allowed",
    "bound": lambda f: (
        f"the position could be {number(f['value'])} m off; {number(f['limit'])} m are allowed"
    ),
    "late": lambda f: (
        f"the epoch came {number(f['value'])} s later than the promptest ones; "
        f"{number(f['limit'])} s are allowed"
    ),
    "station": lambda f: (
        f"the corrections came from station {f['value']}, not from one that is {f['limit']}"
    ),
    "refix": lambda f: (
        f"the fixed position lay {number(f['value'])} m beyond where the mower could be; "
        f"{number(f['limit'])} m are allowed"
    ),
    "jump": lambda f: (
        f"the position jumped {number(f['value'])} m farther than the mower can drive; "
        f"{number(f['limit'])} m are allowed"
    ),
    "drift": lambda f: (
        f"the position moved {number(f['value'])} m otherwise than the speed says; "
        f"{number(f['limit'])} m are allowed"
    ),
    "height": lambda f: (
        f"the antenna was {number(f['value'])} m off the lawn's surface; "
        f"{number(f['limit'])} m are allowed"
    ),
    "course": lambda f: (
        f"the course was {number(f['value'])} degrees off the way taken; "
        f"{number(f['limit'])} are allowed"
    ),
    "room": lambda f: (
        f"{number(f['value'])} m of room were left to the fence with the error at its worst; "
        f"{number(f['limit'])} m are needed"
    ),
    "stopping": lambda f: (
        f"{number(f['value'])} m would be left ahead after stopping; "
        f"{number(f['limit'])} m are needed"
    ),
    "blade_stop": lambda f: (
        f"{number(f['value'])} m would be left ahead when the blade has come to rest; "
        f"{number(f['limit'])} m are needed"
    ),
}

TAKEN = {
    "full": "everything was given back",
    "slowed": "the mower was slowed",
    "blade_off": "the blade was stopped, and the mower slowed",
    "halted": "drive and blade were stopped",
    "locked": "drive and blade were stopped until a person resets",
}
BACK = {
    "halted": "a person reset it; drive and blade stayed stopped",
    "blade_off": "it could drive again, slowly and without the blade",
    "slowed": "the blade could start again, after its warning",
    "full": "everything was given back",
}


def reason(finding: Finding) -> str:
    """Why a finding demanded something."""
    if finding["value"] is None:
        return f"{finding['monitor']} was unknown: {finding['note']}"
    told = REASONS.get(finding["monitor"], cause_text)
    return told(finding)


def explain(one: Intervention) -> list[str]:
    """Paragraphs: what came first, what followed, where, and what let it go again."""
    return [
        *_heading(one),
        "",
        "What came first",
        f"  {reason(one.begun['cause'])}.",
        *[f"  With it: {reason(finding)}." for finding in _others(one)],
        f"  So {TAKEN[one.begun['rung']]}.",
        "",
        "What followed",
        *[f"  {line}" for line in _following(one)],
        "",
        "Where",
        *[f"  {line}" for line in _where(one.begun)],
        "",
        "What let it go",
        *[f"  {line}" for line in _release(one)],
    ]


def _heading(one: Intervention) -> list[str]:
    lines = [
        f"Intervention {one.id}, {day_and_time(one.begun['utc'])} UTC, "
        f"{seconds_text(one.duration_s)}, down to {one.rung}"
    ]
    if one.start is not None:
        lines.append(
            f"fenceguard {one.start['version']}, {one.start['mode']} of {one.start['source']}"
        )
    lines.append(f"settings {one.begun['settings_hash']}, fence {one.begun['fence_hash']}")
    return lines


def _others(one: Intervention) -> list[Finding]:
    findings: list[Finding] = one.begun["findings"]
    return [finding for finding in findings if finding != one.begun["cause"]]


def _following(one: Intervention) -> list[str]:
    lines = []
    for change in one.later_changes:
        after_s = seconds_between(one.begun, change)
        if change["why"] == "demand":
            causes = "; ".join(reason(finding) for finding in change["findings"])
            lines.append(f"after {after_s:.1f} s {TAKEN[change['to']]}: {causes}.")
        else:
            lines.append(f"after {after_s:.1f} s {BACK[change['to']]}.")
    return lines or ["nothing more was written."]


def _where(record: dict[str, Any]) -> list[str]:
    epoch = record["epoch"]
    if epoch is None or record["clearance_m"] is None:
        return ["the position was unknown."]
    lines = [f"the antenna was at {epoch['lat']:.7f}, {epoch['lon']:.7f} (WGS 84);"]
    side = "from" if record["clearance_m"] > 0.0 else "past"
    lines.append(
        f"the mower was {abs(record['clearance_m']):.2f} m {side} the line of {record['nearest']};"
    )
    if record["bound_m"] is None:
        lines.append("how far off that could be was unknown.")
    else:
        lines.append(
            f"the position could be {record['bound_m']:.2f} m off, "
            f"so {record['room_m']:.2f} m of room were left."
        )
    return lines


def _release(one: Intervention) -> list[str]:
    lines = []
    for change in one.later_changes:
        if change["why"] == "reset":
            lines.append(f"a person reset it: from {change['from']} to {change['to']}.")
        elif change["why"] == "clear":
            lines.append(
                f"nothing demanded {change['from']} for {change['clear_s']:.1f} s: "
                f"up to {change['to']}."
            )
    if one.ended is None:
        end = (
            f"the run stopped ({one.stopped['reason']})"
            if one.stopped
            else "the journal of that run ends"
        )
        lines.append(f"{end} before it was let go.")
    return lines
