"""Recordings of a receiver at rest, on foot and on a vehicle: fixed positions that are doubted.

They moved whatever was granted. So everything is given at once; else they would be driven unseen
while the supervisor knows that the drive is off.
"""

from pathlib import Path

import pytest

from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Trust
from fenceguard.receiver.epoch import FIXED, Epoch
from fenceguard.receiver.receiver import Receiver
from fenceguard.settings import load
from tests.bench.recorded import LOGS, raw_gga, unpacked, write_settings

pytestmark = pytest.mark.xdist_group("recordings")
STATIC, WALK = "static-1hz-fixed.ubx.gz", "walk-1hz-fixed-float.ubx.gz"
DRIVE = "drive-4hz-mixed.ubx.gz"
AT_ONCE = """\
arm: {fixed_for_s: 0.1}
clear_s: {slowed: 0.1, blade_off: 0.1, halted: 0.1}
blade_delay_s: 0
"""
FASTEST_MPS = 3.0
"""Faster than anything in the recordings."""
DAY_S = 86400.0
SLIP_S = 58014.25, 58030.5
"""The vehicle stands, and the position is 0.34 m off until the antenna moves on."""


def fixed(name: str, directory: Path) -> list[tuple[Epoch, Decision]]:
    """The fixed epochs of a recording, each judged at its own UTC."""
    log = LOGS / name
    if not log.exists():
        pytest.skip(f"the recording {log} is not there")
    data = unpacked(log)
    loaded = load(write_settings(directory, raw_gga(data), (1.5, 2.5, 4.0), AT_ONCE))
    fast = {"full_mps": FASTEST_MPS, "slowed_mps": FASTEST_MPS}
    mower = loaded.settings.mower.model_copy(update=fast)
    settings = loaded.settings.model_copy(update={"mower": mower})
    receiver = Receiver.from_settings(settings.receiver)
    supervisor = Supervisor.from_settings(settings, loaded.fence)
    epochs = [epoch for _, epoch in (*receiver.feed_log(data), *receiver.finish_log())]
    decided = [(epoch, supervisor.step(epoch.utc_s, epoch)) for epoch in epochs]
    return [(epoch, decision) for epoch, decision in decided if epoch.quality == FIXED]


def doubted(judged: list[tuple[Epoch, Decision]]) -> list[tuple[Epoch, Decision]]:
    return [(epoch, one) for epoch, one in judged if one.situation.trust is Trust.DOUBTED]


def test_at_rest_every_fix_is_trusted(tmp_path: Path) -> None:
    judged = fixed(STATIC, tmp_path)
    assert len(judged) > 1000
    assert {decision.situation.trust for _, decision in judged} == {Trust.TRUSTED}


def test_on_foot_only_a_lifted_antenna_is_doubted(tmp_path: Path) -> None:
    """It is lifted by 0.8 m within 0.4 m of way: no slope, and no mower does that."""
    judged = fixed(WALK, tmp_path)
    assert len(judged) > 500
    found = doubted(judged)
    assert len(found) < 0.01 * len(judged)
    assert {decision.situation.evidence.against for _, decision in found} <= {"height"}


def test_on_the_vehicle_only_the_slip_is_doubted(tmp_path: Path) -> None:
    judged = fixed(DRIVE, tmp_path)
    assert len(judged) > 1000
    for epoch, _ in doubted(judged):
        assert SLIP_S[0] < epoch.utc_s % DAY_S < SLIP_S[1], epoch
