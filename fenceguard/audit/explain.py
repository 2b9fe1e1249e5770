"""One intervention in plain words, with its numbers."""

from datetime import UTC, datetime

from fenceguard.journal.records import Changed, Entry, FindingTold
from fenceguard.journal.story import FULL, Intervention
from fenceguard.judgement.monitors import MONITORS
from fenceguard.text import cause_text, number, seconds_text

SENTENCES = {monitor.name: monitor.sentence for monitor in MONITORS}

TAKEN = {
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


def reason(finding: FindingTold) -> str:
    """Why a finding demanded something."""
    if finding.value is None:
        return f"{finding.monitor} was unknown: {finding.note}"
    sentence = SENTENCES.get(finding.monitor)
    if sentence is None:
        return cause_text(finding)
    note = f" ({finding.note})" if finding.note else ""
    return sentence.format(value=number(finding.value), limit=number(finding.limit)) + note


def explain(one: Intervention) -> list[str]:
    """Paragraphs: what came first, what followed, where, and what let it go again."""
    begun = one.begun[1]
    return [
        *_heading(one),
        "",
        "What came first",
        *[f"  {line}" for line in _first(one)],
        "",
        "What followed",
        *[f"  {line}" for line in _following(one)],
        "",
        "Where",
        *[f"  {line}" for line in _where(begun)],
        "",
        "What let it go",
        *[f"  {line}" for line in _release(one)],
    ]


def _first(one: Intervention) -> list[str]:
    begun, cause = one.begun[1], one.cause
    if cause is None:
        return ["what came first was not recorded."]
    others = [finding for finding in begun.findings if finding != cause]
    return [
        f"{reason(cause)}.",
        *[f"With it: {reason(finding)}." for finding in others],
        f"So {TAKEN[begun.rung]}.",
    ]


def _heading(one: Intervention) -> list[str]:
    entry, begun = one.begun
    lines = [
        f"Intervention {one.id}, {day_and_time(entry.utc_s)} UTC, "
        f"{seconds_text(one.duration_s)}, down to {one.rung}"
    ]
    start = one.run.start
    if start is not None:
        lines.append(f"fenceguard {start.version}, {start.mode} of {start.source}")
    lines.append(f"settings {begun.settings_hash}, fence {begun.fence_hash}")
    return lines


def _followed(one: Intervention) -> list[tuple[Entry, Changed]]:
    """The changes after the first one: all, where the record of that is missing."""
    return one.changes[1:] if one.begun[1].was == FULL else one.changes


def _following(one: Intervention) -> list[str]:
    lines = []
    for entry, change in _followed(one):
        after_s = entry.mono_s - one.begun[0].mono_s
        if change.why == "demand":
            causes = "; ".join(reason(finding) for finding in change.findings)
            lines.append(f"after {after_s:.1f} s {TAKEN[change.rung]}: {causes}.")
        else:
            lines.append(f"after {after_s:.1f} s {BACK[change.rung]}.")
    return lines or ["nothing more was written."]


def _where(change: Changed) -> list[str]:
    where = change.where
    epoch, bound = where.epoch, where.bound
    if epoch is None or epoch.lat_deg is None or epoch.lon_deg is None or where.clearance_m is None:
        return ["the position was unknown."]
    lines = [f"the antenna was at {epoch.lat_deg:.7f}, {epoch.lon_deg:.7f} (WGS 84);"]
    side = "from" if where.clearance_m > 0.0 else "past"
    lines.append(
        f"the mower was {abs(where.clearance_m):.2f} m {side} the line of {where.nearest};"
    )
    if bound is None or where.room_m is None:
        lines.append("how far off that could be was unknown.")
    elif bound.reach_m:
        lines.append(
            f"but the mower was only known to be within {bound.reach_m:.2f} m of where the "
            f"reckoning led, so {where.room_m:.2f} m of room were left."
        )
    else:
        lines.append(
            f"the position could be {bound.radius_m:.2f} m off, "
            f"so {where.room_m:.2f} m of room were left."
        )
    return lines


def _release(one: Intervention) -> list[str]:
    lines = []
    for _entry, change in _followed(one):
        if change.why == "reset":
            lines.append(f"a person reset it: from {change.was} to {change.rung}.")
        elif change.why == "way_out":
            lines.append(f"a way out: from {change.was} to {change.rung}, to creep from the fence.")
        elif change.why == "clear":
            since = "any more" if change.clear_s is None else f"for {change.clear_s:.1f} s"
            lines.append(f"nothing demanded {change.was} {since}: up to {change.rung}.")
    if not one.over:
        stop = one.run.stop
        end = f"the run stopped ({stop.reason})" if stop else "the journal of that run ends"
        lines.append(f"{end} before it was let go.")
    return lines


def day_and_time(utc_s: float) -> str:
    """UTC for reading, to 1 ms."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]
