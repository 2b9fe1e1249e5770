"""One intervention in plain words, with its numbers."""

from typing import Any

from fenceguard.audit.interventions import Intervention, day_and_time, seconds_between
from fenceguard.judgement.monitors import MONITORS
from fenceguard.text import cause_text, number, seconds_text

Finding = dict[str, Any]

SENTENCES = {monitor.name: monitor.sentence for monitor in MONITORS}

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
    sentence = SENTENCES.get(finding["monitor"])
    if sentence is None:
        return cause_text(finding)
    return sentence.format(value=number(finding["value"]), limit=number(finding["limit"]))


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
