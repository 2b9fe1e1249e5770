"""Real recordings: what the replay command makes of them, the bound, and what monitors find.

The replays and the positions are checked against the raw GGA lines, read by other means.
"""

import json
import subprocess
import sys
from bisect import bisect_right
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyproj
import pytest

from fenceguard.judgement.bound import Bounds
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Trust
from fenceguard.receiver.epoch import FIXED, FLOAT, Epoch
from fenceguard.receiver.receiver import Receiver
from fenceguard.settings import load
from fenceguard.settings.models import BoundSettings, TrustSettings
from tests.bench.recorded import LOGS, Gga, raw_gga, unpacked, write_settings

pytestmark = pytest.mark.xdist_group("recordings")
"""Each is replayed once, for all tests of it."""
RECORDINGS = {
    "walk": "walk-1hz-fixed-float.ubx.gz",
    "static": "static-1hz-fixed.ubx.gz",
    "drive": "drive-4hz-mixed.ubx.gz",
}
RUNGS = ["full", "slowed", "blade_off", "halted", "locked"]
QUALITY_DEMANDS = {4: "full", 5: "blade_off", 1: "halted", 2: "halted"}
AGE_DEMANDS = [(10.0, "slowed"), (20.0, "blade_off"), (60.0, "halted")]
SILENCE_S = {"walk": (1.5, 2.5, 4.0), "static": (1.5, 2.5, 4.0), "drive": (0.6, 1.2, 2.4)}
SPARE_S = 0.05
"""By so much a receiver at 4 Hz takes longer from epoch to epoch than one at the usual 5 Hz."""
TICK_S = 0.1
MS = 0.001
SETTINGS = f"""\
  solution: {{blade_off: fixed, halted: float}}
  correction_age: {{slowed: 10.0, blade_off: 20.0, halted: 60.0}}
tick_s: {TICK_S}
"""
AT_ONCE = """\
arm: {fixed_for_s: 0.1}
clear_s: {slowed: 0.1, blade_off: 0.1, halted: 0.1}
blade_delay_s: 0
"""
"""Up again as fast as may be, so that as many demands as may be find a rung to leave."""
SOON = """\
arm: {fixed_for_s: 2.0}
clear_s: {slowed: 0.5, blade_off: 1.0, halted: 2.0}
blade_delay_s: 0.5
"""
"""The drive loses epochs so often that it never has ten seconds without a demand."""


class Replayed(NamedTuple):
    """A recording, and what the command made of it; times are times of day."""

    name: str
    lines: list[Gga]
    change_s: list[float]
    change_rung: list[int]
    outcome: dict[str, Any]

    def rung_at(self, time_s: float) -> int:
        """The rung once everything up to a moment, and at it, has happened."""
        changes = bisect_right(self.change_s, time_s + MS)
        return self.change_rung[changes - 1] if changes else RUNGS.index("halted")

    def rung_before(self, time_s: float) -> int:
        """The rung just before a moment."""
        return self.rung_at(time_s - 2.0 * MS)

    def changes_at(self, time_s: float) -> list[int]:
        """The rungs that were taken at a moment."""
        return [
            rung
            for at_s, rung in zip(self.change_s, self.change_rung, strict=True)
            if abs(at_s - time_s) <= MS
        ]


def time_of_day_s(utc: str) -> float:
    hours, minutes, seconds = utc.rpartition("T")[2].removesuffix("Z").split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(seconds)


@pytest.fixture(scope="module", params=["usual clear times", "up at once"])
def more(request: pytest.FixtureRequest) -> str:
    return SETTINGS + (AT_ONCE if request.param == "up at once" else "")


@pytest.fixture(scope="module", params=list(RECORDINGS))
def replayed(
    request: pytest.FixtureRequest, more: str, tmp_path_factory: pytest.TempPathFactory
) -> Replayed:
    name: str = request.param
    return replay(name, more, tmp_path_factory.mktemp(name))


def replay(name: str, more: str, directory: Path) -> Replayed:
    recording = LOGS / RECORDINGS[name]
    if not recording.exists():
        pytest.skip(f"the recording {recording} is not there")
    lines = raw_gga(unpacked(recording))
    if name == "drive" and more == SETTINGS:
        more = SETTINGS + SOON
    settings = write_settings(directory, lines, SILENCE_S[name], more)
    command = [sys.executable, "-m", "fenceguard", "replay", str(recording)]
    done = subprocess.run(
        [*command, "--settings", str(settings), "--json"],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    outcome = json.loads(done.stdout)
    return Replayed(
        name,
        lines,
        [time_of_day_s(change["utc"]) for change in outcome["rung_changes"]],
        [RUNGS.index(change["rung"]) for change in outcome["rung_changes"]],
        outcome,
    )


def demanded(line: Gga) -> int:
    """The rung that solution and correction age of one line demand."""
    demands = [QUALITY_DEMANDS[line.quality]]
    if line.quality in (2, 4, 5):
        assert line.age_s is not None
        demands += [rung for limit_s, rung in AGE_DEMANDS if line.age_s > limit_s]
    return max(map(RUNGS.index, demands))


def test_the_recordings_stay_within_one_day(replayed: Replayed) -> None:
    """Else the times of day below would not tell one moment from another."""
    assert all(a.time_s < b.time_s for a, b in pairwise(replayed.lines))
    assert replayed.change_s == sorted(replayed.change_s)


def test_every_line_is_an_epoch(replayed: Replayed) -> None:
    assert replayed.outcome["epochs"] == len(replayed.lines)
    span_s = replayed.lines[-1].time_s - replayed.lines[0].time_s
    assert replayed.outcome["duration_s"] == pytest.approx(span_s, abs=MS)


def test_full_is_reached(replayed: Replayed) -> None:
    """Else most of what follows would be said of nothing."""
    assert replayed.outcome["time_in_rung_s"]["full"] > 60.0


def test_no_step_is_at_full_unless_the_last_line_is_fixed_with_corrections_young_enough(
    replayed: Replayed,
) -> None:
    full = RUNGS.index("full")
    until_s = [line.time_s for line in replayed.lines[1:]] + [float("inf")]
    for line, next_s in zip(replayed.lines, until_s, strict=True):
        if line.quality == 4 and line.age_s is not None and line.age_s <= 10.0:
            continue
        assert replayed.rung_at(line.time_s) != full, line
        rises = [
            at_s
            for at_s, rung in zip(replayed.change_s, replayed.change_rung, strict=True)
            if rung == full and line.time_s + MS < at_s < next_s - MS
        ]
        assert not rises, line


def test_every_demand_of_a_line_is_obeyed_at_its_utc(replayed: Replayed) -> None:
    obeyed = 0
    for line in replayed.lines:
        demand = demanded(line)
        assert replayed.rung_at(line.time_s) >= demand, line
        if replayed.rung_before(line.time_s) < demand:
            assert max(replayed.changes_at(line.time_s), default=0) >= demand, line
            obeyed += 1
    assert obeyed >= 2


def test_every_change_of_quality_that_demands_a_lower_rung_is_a_rung_change(
    replayed: Replayed,
) -> None:
    shown = 0
    for before, line in pairwise(replayed.lines):
        demand = RUNGS.index(QUALITY_DEMANDS[line.quality])
        if line.quality != before.quality and replayed.rung_before(line.time_s) < demand:
            changes = replayed.changes_at(line.time_s)
            assert max(changes, default=0) >= demand, line
            shown += 1
    if replayed.name != "static":
        assert shown >= 2


def test_every_gap_of_the_drive_longer_than_a_silence_limit_shows(
    more: str, tmp_path: Path
) -> None:
    drive = replay("drive", more, tmp_path)
    shown = 0
    for before, line in pairwise(drive.lines):
        for limit_s, word in zip(SILENCE_S["drive"], RUNGS[1:], strict=False):
            seen_s = before.time_s + limit_s + SPARE_S
            if line.time_s - before.time_s <= limit_s + SPARE_S + MS:
                continue
            demand = RUNGS.index(word)
            noticed_s = min(seen_s + TICK_S, line.time_s) + MS
            assert drive.rung_at(noticed_s) >= demand, (before, line)
            if drive.rung_at(seen_s - 2.0 * MS) < demand:
                within = [
                    rung
                    for at_s, rung in zip(drive.change_s, drive.change_rung, strict=True)
                    if seen_s - MS <= at_s <= noticed_s
                ]
                assert max(within, default=0) >= demand, (before, line)
                shown += 1
    assert shown >= 5


# The bound


def test_the_bound_holds_every_fixed_position_of_a_receiver_at_rest() -> None:
    """About the median, the best guess at the true position that the recording itself gives.

    Distances by PROJ (pyproj.Geod, WGS 84), on positions that the project has not read.
    """
    data = unpacked(recording("static"))
    lines = [line for line in raw_gga(data) if line.quality == FIXED]
    epochs = [epoch for epoch in heard(data) if epoch.quality == FIXED]
    assert [epoch.utc_s % DAY_S for epoch in epochs] == [line.time_s for line in lines]
    lat_deg = np.array([line.lat_deg for line in lines])
    lon_deg = np.array([line.lon_deg for line in lines])
    median = np.full(len(lines), np.median(lon_deg)), np.full(len(lines), np.median(lat_deg))
    off_m = pyproj.Geod(ellps="WGS84").inv(lon_deg, lat_deg, *median)[2]
    settings = BoundSettings()
    assert settings.probability == 0.9999
    made = Bounds(settings.parameters())
    bounds = [made.hear(epoch.utc_s, epoch) for epoch in epochs]
    bounds_m = np.array([bound.radius_m for bound in bounds if bound is not None])
    assert len(bounds_m) == len(epochs)
    assert len(lines) > 1000
    assert np.all(off_m <= bounds_m)
    # Less than half of it would not hold: the recording puts the bound to the test.
    assert np.any(off_m > 0.45 * bounds_m)


# The monitors that compare epochs, stations and ways

COMPARING = ("station", "reach", "trust", "tells", "speed", "course", "stopping", "blade_stop")
"""Not `late`: the recordings do not tell when their sentences arrived. Nor `height`: their fence
has no heights."""
DAY_S = 86400.0
FASTEST_MPS = 3.0
"""The most that settings accept, and faster than anything in the recordings."""
DRIVE_SPEEDING_UP_MPS2 = 2.0
"""On the drive 99 % of the speeds that are told one after the other change by no more than 1.5."""
DRIVE_HARDEST_MPS2 = 5.0
"""And all of them by no more than 4.7, in a turn on the spot: no mower (`dry_mps2`: 2.5) does."""


def recording(name: str) -> Path:
    path = LOGS / RECORDINGS[name]
    if not path.exists():
        pytest.skip(f"the recording {path} is not there")
    return path


def heard(data: bytes) -> list[Epoch]:
    receiver = Receiver(epoch_wait_s=0.12)
    return [epoch for _, epoch in (*receiver.feed_log(data), *receiver.finish_log())]


def judged(name: str, directory: Path, survey_station: str) -> list[tuple[Epoch, Decision]]:
    """Every epoch of a recording with its decision, as though each came at its own UTC."""
    data = unpacked(recording(name))
    file = write_settings(directory, raw_gga(data), SILENCE_S[name])
    fence = directory / "fence.geojson"
    document = json.loads(fence.read_text())
    document["features"][0]["properties"]["stations"] = [survey_station]
    fence.write_text(json.dumps(document))
    loaded = load(file)
    changes: dict[str, Any] = {"full_mps": FASTEST_MPS}
    if name == "drive":
        changes["speeding_up_mps2"] = DRIVE_SPEEDING_UP_MPS2
        hardest = {"dry_mps2": DRIVE_HARDEST_MPS2}
        changes["stopping"] = loaded.settings.mower.stopping.model_copy(update=hardest)
    mower = loaded.settings.mower.model_copy(update=changes)
    settings = loaded.settings.model_copy(update={"mower": mower})
    supervisor = Supervisor.from_settings(settings, loaded.fence)
    return [(epoch, supervisor.step(epoch.utc_s, epoch)) for epoch in heard(data)]


def found(decision: Decision) -> set[str]:
    """The monitors that find something, whether they act or only watch."""
    return {finding.monitor for finding in decision.findings + decision.watched}


def compared(decision: Decision) -> set[str]:
    return found(decision).intersection(COMPARING)


def test_while_fixed_at_rest_none_of_these_monitors_finds_anything(tmp_path: Path) -> None:
    fixed = [(e, d) for e, d in judged("static", tmp_path, "0000") if e.quality == FIXED]
    assert len(fixed) > 500
    for epoch, decision in fixed:
        assert not compared(decision), epoch


def test_while_fixed_on_foot_only_an_antenna_that_is_lifted_is_doubted(tmp_path: Path) -> None:
    """Twice it is taken up from where it lay, by 0.6 to 0.9 m: a mower that is carried.

    And a fix after minutes of float has nothing that vouches for it.
    """
    fixed = [(e, d) for e, d in judged("walk", tmp_path, "0000") if e.quality == FIXED]
    assert len(fixed) > 500
    lifted = unknown = 0
    for number, (epoch, decision) in enumerate(fixed):
        names, evidence = compared(decision), decision.situation.evidence
        if evidence.trust is Trust.TRUSTED:
            assert names <= {"reach"} and (not names or evidence.against == "height"), epoch
        elif evidence.trust is Trust.UNKNOWN:
            unknown += 1
            assert names == {"trust"}, epoch
            assert evidence.reach_m is not None and evidence.reach_m > TrustSettings().reach_m
        else:
            lifted += 1
            assert names <= {"reach", "trust"} and evidence.against == "height", epoch
            before = [e for e, _ in fixed[:number] if e.utc_s >= epoch.utc_s - 60.0]
            assert up_m(epoch) - min(map(up_m, before)) > 0.5, epoch
    assert lifted <= 17
    assert 0 < unknown <= 11


def up_m(epoch: Epoch) -> float:
    assert epoch.altitude_m is not None
    return epoch.altitude_m


def test_another_station_is_found_at_every_position_that_has_corrections(tmp_path: Path) -> None:
    for epoch, decision in judged("walk", tmp_path, "0001"):
        assert ("station" in found(decision)) == (epoch.quality in (2, 4, 5)), epoch


def test_a_float_that_wanders_while_the_walker_stands_leaves_the_mower_in_its_reach(
    tmp_path: Path,
) -> None:
    """From 15:33:50 to 15:34:40 the speed is under 2 cm/s; the position wanders by metres."""
    standing = [
        (epoch, decision)
        for epoch, decision in judged("walk", tmp_path, "0000")
        if time_of_day_s("15:33:50") <= epoch.utc_s % DAY_S <= time_of_day_s("15:34:40")
        and epoch.quality == FLOAT
        and epoch.speed_mps is not None
        and epoch.speed_mps < 0.02
    ]
    assert len(standing) > 40
    places = np.array([(epoch.lon_deg, epoch.lat_deg) for epoch, _ in standing])
    inv = pyproj.Geod(ellps="WGS84").inv
    assert max(inv(*places[0], *place)[2] for place in places) > 1.0
    first, last = standing[0][1].situation, standing[-1][1].situation
    assert first.bound is not None and first.clearance_m is not None
    for _, decision in standing:
        situation = decision.situation
        assert situation.trust is Trust.TRUSTED
        assert situation.bound is not None
        assert situation.bound.radius_m == situation.bound.reach_m == situation.evidence.reach_m
        assert situation.clearance_m == pytest.approx(first.clearance_m, abs=0.02)
    assert last.bound is not None
    assert last.bound.radius_m < first.bound.radius_m + 0.3


SLIP_S = 58014.25
"""The position slips by 0.26 m in 0.25 s, while speeds before and after are under 3 cm/s: that
would need 1 m/s."""


def test_a_fixed_position_that_slips_while_the_receiver_stands_is_out_of_reach(
    tmp_path: Path,
) -> None:
    """And it is not forgiven while nothing speaks for it."""
    epochs = judged("drive", tmp_path, "0000")
    before = [d for e, d in epochs if 58008.0 < e.utc_s % DAY_S <= 58014.0]
    after = [d for e, d in epochs if 58015.0 <= e.utc_s % DAY_S <= 58038.0]
    assert len(before) > 10
    assert len(after) > 40
    assert not any(found(decision) & {"reach", "trust"} for decision in before)
    for decision in after:
        assert decision.situation.bound is not None
        # So much widens the bound past what a blade is granted for.
        assert decision.situation.bound.unexplained_m > 0.2


def test_while_fixed_on_the_drive_nothing_is_doubted_before_that_slip(
    tmp_path: Path,
) -> None:
    """And the course is off only where something contradicts the position anyhow."""
    fixed = [(e, d) for e, d in judged("drive", tmp_path, "0000") if e.quality == FIXED]
    assert len(fixed) > 1000
    for epoch, decision in fixed:
        names, trust = compared(decision), decision.situation.trust
        assert "speed" not in names, epoch
        slipped = epoch.utc_s % DAY_S > SLIP_S
        assert slipped or ("reach" not in names and trust is not Trust.DOUBTED), epoch
        bound = decision.situation.bound
        contradicted = trust is not Trust.TRUSTED or (bound is not None and bound.unexplained_m)
        assert "course" not in names or contradicted, epoch
