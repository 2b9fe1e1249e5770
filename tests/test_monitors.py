"""The monitors: a battery that each of them passes."""

import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import yaml

from fenceguard.audit.explain import reason
from fenceguard.journal.records import FindingTold
from fenceguard.judgement.limits import Limited
from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.monitors.base import ABSENT, Choice, Default, Monitor, Range, Reading
from fenceguard.judgement.parameters import MonitorParameters, Row
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import (
    NO_ATTITUDE,
    NO_CONTRADICTION,
    NO_EVIDENCE,
    Decision,
    Finding,
    Learned,
    Rung,
    Situation,
    Trust,
)
from fenceguard.mower.stopping import Stopping
from fenceguard.receiver.epoch import QUALITY_NAMES
from fenceguard.text import number
from tests.support.made import bound
from tests.support.situations import FENCE, ahead, corrected, epoch, plain, told

ROOT = Path(__file__).parents[1]
FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung


# How each monitor is made to read a value


class Timed(Stopping):
    """Of a way ahead in m it says that it lasts as many s."""

    def latest_s(self, left_m: float, speed_mps: float, most_mps: float) -> float:
        return left_m

    blade_latest_s = latest_s


TIMED = Timed(0.0, 1.0, 0.0, speeding_up_mps2=0.0, drive_cut=False)


def left(left_s: Any) -> Situation:
    return ahead(left_s, stopping=TIMED, learned=Learned(0.0, (), None))


def evidence(**fields: Any) -> Situation:
    return Situation(evidence=NO_EVIDENCE._replace(**fields))


def believed(word: Any) -> Situation:
    return evidence(trust=Trust(word))


def attitude(**fields: Any) -> Situation:
    return Situation(attitude=NO_ATTITUDE._replace(**fields))


def contradiction(**fields: Any) -> Situation:
    return Situation(contradiction=NO_CONTRADICTION._replace(**fields))


def solved(name: Any) -> Situation:
    quality = QUALITY_NAMES.index(name) if name in QUALITY_NAMES else None
    return told(quality=quality)


Value = float | str


class Made(NamedTuple):
    """A row of the table: how a monitor is made to read a value, nothing, or what is unknown."""

    make: Callable[[Any], Situation]
    unknown: tuple[Situation, ...] = ()
    """Besides values that are no number."""
    absent: tuple[Situation, ...] = ()
    """In which the hazard cannot occur."""
    words: tuple[str, ...] = ()
    """Readings that are words, the worst first."""
    nothing: Value | None = None
    """What it reads where nothing is known, if that is a value like any other."""


NOTHING = Situation()
TABLE = {
    "silence": Made(lambda value: Situation(silence_s=value), unknown=(NOTHING,)),
    "frozen": Made(
        lambda value: Situation(utc_lag_s=value),
        unknown=(
            NOTHING,
            *(
                Situation(utc_lag_s=0.0, evidence=evidence(**{name: value}).evidence)
                for name in ("same_s", "leap_s")
                for value in (math.nan, math.inf, -math.inf)
            ),
        ),
    ),
    "late": Made(lambda value: evidence(late_s=value), absent=(NOTHING,)),
    "solution": Made(
        solved,
        unknown=(NOTHING,),
        words=("invalid", "single", "differential", "float", "fixed"),
    ),
    "correction_age": Made(
        lambda value: told(quality=4, age_s=value),
        unknown=(NOTHING, *(told(quality=quality) for quality in (2, 4, 5))),
        absent=tuple(told(quality=quality) for quality in (None, 0, 1, 3, 6, 7, 8, 9)),
    ),
    "station": Made(
        lambda value: corrected("0123" if value == "accepted" else value, "0123"),
        unknown=(corrected(None, "0123"), corrected("accepted", "0123")),
        absent=(
            NOTHING,
            Situation(stations=("0123",)),
            corrected("0125"),
            corrected(None),
            *(corrected("0125", "0123", quality=one) for one in (None, 0, 1, 3, 6, 7, 8)),
        ),
        words=("0125", "accepted"),
    ),
    "satellites": Made(lambda value: told(satellites=value), unknown=(NOTHING, told())),
    "hdop": Made(lambda value: told(hdop=value), unknown=(NOTHING, told())),
    "bound": Made(lambda value: Situation(bound=bound(value)), unknown=(NOTHING, told(quality=4))),
    "reach": Made(lambda value: evidence(excess_m=value), absent=(NOTHING,)),
    "trust": Made(believed, words=("doubted", "unknown", "trusted"), nothing="unknown"),
    "tells": Made(lambda value: evidence(missing_s=value), nothing=0.0),
    "speed": Made(lambda value: evidence(over_mps=value), absent=(NOTHING,)),
    "wheels": Made(lambda value: contradiction(wheels_mps=value), absent=(NOTHING,)),
    "yaw": Made(lambda value: contradiction(yaw_deg=value), absent=(NOTHING,)),
    "height": Made(lambda value: Situation(height_off_m=value), absent=(NOTHING,)),
    "course": Made(lambda value: attitude(course_off_deg=value), absent=(NOTHING,)),
    "heading": Made(lambda value: attitude(heading_off_deg=value), absent=(NOTHING,)),
    "room": Made(
        lambda value: Situation(clearance_m=value, bound=bound(0.0)),
        unknown=(
            NOTHING,
            Situation(clearance_m=1.0),
            Situation(bound=bound(0.1)),
            *(Situation(clearance_m=1.0, bound=bound(one)) for one in (math.nan, math.inf)),
        ),
    ),
    "approach": Made(left, unknown=(NOTHING, ahead(None), ahead(5.0, stopping=None))),
    "stopping": Made(left, unknown=(NOTHING, ahead(None), ahead(5.0, stopping=None))),
    "blade_stop": Made(
        left,
        unknown=(NOTHING, ahead(None), ahead(5.0, stopping=None)),
        absent=(ahead(5.0, stopping=TIMED._replace(drive_cut=True)),),
    ),
    "penned": Made(lambda value: Situation(penned_s=value), absent=(NOTHING,)),
}


def test_every_monitor_has_a_row_and_every_row_a_monitor() -> None:
    assert set(TABLE) == {monitor.name for monitor in MONITORS}


# The battery

EVERY = pytest.mark.parametrize("monitor", MONITORS, ids=lambda one: one.name)
DEFAULTS = [
    pytest.param(monitor, default, id=f"{monitor.name}-{default.rung.word}")
    for monitor in MONITORS
    for default in monitor.defaults
]


def with_limits(monitor: Monitor, *defaults: Default, acts: bool = True) -> Limited:
    rows = tuple(Row(one.rung, one.limit, one.for_s) for one in defaults or monitor.defaults)
    return Limited(monitor, MonitorParameters(rows, acts))


def beyond(monitor: Monitor, limit: Value) -> list[Value]:
    """Values that are worse than a limit: the very next one, where there is one."""
    if isinstance(limit, str):
        words = TABLE[monitor.name].words
        return list(words[: words.index(limit)])
    return [math.nextafter(limit, math.inf if monitor.worse == "above" else -math.inf)]


def within(monitor: Monitor, limit: Value) -> list[Value]:
    """The limit itself, and values that are better."""
    if isinstance(limit, str):
        words = TABLE[monitor.name].words
        return list(words[words.index(limit) :])
    better = math.nextafter(limit, -math.inf if monitor.worse == "above" else math.inf)
    return [limit, better]


@pytest.mark.parametrize(("monitor", "default"), DEFAULTS)
def test_the_limit_itself_and_both_sides_of_it(monitor: Monitor, default: Default) -> None:
    make = TABLE[monitor.name].make
    worse = beyond(monitor, default.limit)
    assert worse
    for value in worse:
        one = with_limits(monitor, default)
        if default.for_s:
            assert one.find(0.0, make(value)) is None
            assert one.find(math.nextafter(default.for_s, 0.0), make(value)) is None
        found = one.find(default.for_s, make(value))
        assert found is not None
        assert found._replace(note="") == Finding(
            monitor.name, value, default.limit, monitor.unit, default.rung
        )
        assert one.find(default.for_s + 60.0, make(value)) is not None
    for value in within(monitor, default.limit):
        one = with_limits(monitor, default)
        assert one.find(0.0, make(value)) is None
        assert one.find(60.0, make(value)) is None


@pytest.mark.parametrize(("monitor", "default"), DEFAULTS)
def test_beyond_a_limit_the_others_demand_nothing_worse_and_nothing_milder(
    monitor: Monitor, default: Default
) -> None:
    """So that no default is in vain: just beyond it, its own rung is demanded."""
    nearest = beyond(monitor, default.limit)[-1]
    one = with_limits(monitor)
    one.find(0.0, TABLE[monitor.name].make(nearest))
    found = one.find(60.0, TABLE[monitor.name].make(nearest))
    assert found is not None
    assert (found.rung, found.limit) == (default.rung, default.limit)


@EVERY
def test_what_is_unknown_halts_and_tells_why(monitor: Monitor) -> None:
    row = TABLE[monitor.name]
    odd = [] if row.words else [row.make(value) for value in (math.nan, math.inf, -math.inf)]
    assert [*odd, *row.unknown] or row.nothing in row.words
    for situation in (*odd, *row.unknown):
        found = with_limits(monitor).find(0.0, situation)
        assert found is not None, situation
        assert found[:5] == (monitor.name, None, None, monitor.unit, HALTED)
        assert found.note
        assert "failed" not in found.note


@EVERY
def test_where_the_hazard_cannot_occur_nothing_is_demanded(monitor: Monitor) -> None:
    for situation in TABLE[monitor.name].absent:
        assert with_limits(monitor).find(0.0, situation) is None, situation


@EVERY
def test_nothing_known_is_unknown_or_cannot_occur_or_is_a_value_that_is_told(
    monitor: Monitor,
) -> None:
    row = TABLE[monitor.name]
    if row.nothing is None:
        assert NOTHING in (*row.unknown, *row.absent)
    else:
        assert monitor.read(NOTHING) == row.nothing


@EVERY
def test_a_monitor_that_raises_halts(monitor: Monitor) -> None:
    def read(_: Situation) -> Reading:
        raise ZeroDivisionError("by nothing")

    one = with_limits(monitor._replace(read=read))
    found = one.find(0.0, NOTHING)
    assert found is not None
    assert not one.is_clear(NOTHING)
    assert found[:5] == (monitor.name, None, None, monitor.unit, HALTED)
    assert "by nothing" in found.note


def readings(monitor: Monitor) -> Iterator[Reading]:
    """What it reads beyond each default limit, of what is unknown, and of what cannot occur."""
    row = TABLE[monitor.name]
    for default in monitor.defaults:
        for value in beyond(monitor, default.limit):
            yield monitor.read(row.make(value))
    for situation in (*row.unknown, *row.absent):
        yield monitor.read(situation)


def only(monitor: Monitor, reading: Reading, acts: bool) -> Decision:
    """The decision of a supervisor whose only monitor reads that, long after."""
    rows = tuple(Row(one.rung, one.limit, one.for_s) for one in monitor.defaults)
    given = plain({}).parameters()
    alone = given._replace(monitors={monitor.name: MonitorParameters(rows, acts)})
    with pytest.MonkeyPatch.context() as patched:
        reads = (monitor._replace(read=lambda _: reading),)
        patched.setattr("fenceguard.judgement.limits.MONITORS", reads)
        supervisor = Supervisor(alone, FENCE)
    for step in range(9):
        decision = supervisor.step(0.25 * step, epoch(0.25 * step))
    return decision


@EVERY
def test_switched_to_watching_it_demands_nothing_and_tells_the_same(monitor: Monitor) -> None:
    for reading in readings(monitor):
        acting, watching = (only(monitor, reading, acts) for acts in (True, False))
        assert (watching.findings, acting.watched) == ((), ())
        assert watching.watched == acting.findings
        assert watching.rung is FULL
        demanded = max((one.rung for one in acting.findings), default=FULL)
        if monitor.of_room and isinstance(reading, float):
            # It is at rest and trusted, and may creep away from what is too near.
            demanded = min(demanded, BLADE_OFF)
        assert acting.rung >= demanded
        assert bool(acting.findings) is (reading is not ABSENT)


@EVERY
def test_it_may_be_set_what_it_takes_by_default(monitor: Monitor) -> None:
    for default in monitor.defaults:
        assert default.rung in (SLOWED, BLADE_OFF, HALTED)
        assert default.why
        if isinstance(monitor.takes, Choice):
            assert default.limit in monitor.takes.words
        else:
            assert isinstance(monitor.takes, Range)
            assert not isinstance(default.limit, str)
            assert monitor.takes.least <= default.limit <= monitor.takes.most
    assert len({default.rung for default in monitor.defaults}) == len(monitor.defaults) > 0


@EVERY
def test_the_audit_tells_value_and_limit_in_its_sentence(monitor: Monitor) -> None:
    for default in monitor.defaults:
        value = beyond(monitor, default.limit)[-1]
        rung = default.rung.word
        finding = FindingTold(monitor.name, value, default.limit, monitor.unit, rung, "")
        said = reason(finding)
        assert number(value) in said
        assert number(default.limit) in said
        assert "{" not in said


# The pages for owners


def test_the_delivered_settings_give_every_default_with_its_reason() -> None:
    """In the order of the monitors, and of the rungs."""
    section = (ROOT / "config" / "settings.yaml").read_text().partition("\nlimits:\n")[2]
    written: list[tuple[str, str, Any, str]] = []
    monitor = ""
    for line in section.splitlines():
        names = re.fullmatch(r"  (\w+):(?: +# .+)?", line)
        limit = re.fullmatch(r"    (\w+): (.+?) +# (.+)", line)
        assert names or limit, line
        if names:
            monitor = names[1]
        elif limit:
            written.append((monitor, limit[1], yaml.safe_load(limit[2]), limit[3]))
    assert written == [
        (
            monitor.name,
            default.rung.word,
            {"limit": default.limit, "for_s": default.for_s} if default.for_s else default.limit,
            default.why,
        )
        for monitor in MONITORS
        for default in sorted(monitor.defaults)
    ]


def test_the_readme_names_every_monitor_with_what_it_watches() -> None:
    page = (ROOT / "README.md").read_text()
    table = page.partition("| monitor | watches |\n| --- | --- |\n")[2].partition("\n\n")[0]
    assert re.findall(r"(?m)^\| `(\w+)` \| (.+) \|$", table) == [
        (monitor.name, monitor.watches) for monitor in MONITORS
    ]
    (said,) = re.findall(r"Any of them but (.+?) can be set to `watch_only: true`", page)
    assert re.findall(r"`(\w+)`", said) == [one.name for one in MONITORS if one.indispensable]
