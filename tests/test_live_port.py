"""The live loop with real parts: a receiver on a pseudo-terminal, and mock pins for the lines."""

import os
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
import yaml

from fenceguard.settings import load
from tests.bench.recorded import Gga, raw_gga, unpacked
from tests.bench.recorded import write_settings as write_settings_around
from tests.support.machine import DROP_S, SILENCE_S, SOON, TICK_S, Receiver, Start, wired
from tests.support.plug import Plug
from tests.support.waiting import SLACK_S, until

pytestmark = pytest.mark.live


# A recording at its true pace


def test_a_recorded_loss_of_the_fixed_solution_drops_the_blade(
    start: Start, plug: Plug, tmp_path: Path, log: Callable[[str], Path]
) -> None:
    data = unpacked(log("walk-1hz-fixed-float.ubx.gz"))
    everything = raw_gga(data)
    change = next(
        index
        for index in range(9, len(everything))
        if everything[index].quality == 5
        and {e.quality for e in everything[index - 9 : index]} == {4}
    )
    epochs = everything[change - 9 : change + 2]
    bursts = [data[slice(*span)] for span in spans(data, epochs)]
    more = yaml.safe_dump(wired(outputs=None, limits=None))
    file = write_settings_around(tmp_path, everything, (1.5, 2.5, 4.0), more)
    file.write_text(file.read_text().replace("outputs: none", f"outputs: {wired()['outputs']}"))
    machine = start(load(file))
    began_s = time.monotonic()
    for number, (epoch, burst) in enumerate(zip(epochs, bursts, strict=True)):
        time.sleep(max(0.0, began_s + number - time.monotonic()))
        if epoch is epochs[9]:
            assert machine.full()
            until(lambda: machine.rungs() == ["blade_off", "slowed", "full"])
            assert machine.pin("warning").written, "the blade started without a warning"
        sent_s = time.monotonic()
        os.write(plug.far, burst)
        if epoch is epochs[9]:
            until(lambda: not machine.on("blade_enable"))
            assert machine.dropped_s("blade_enable") - sent_s <= DROP_S
            assert machine.on("drive_enable", "slow")
    until(lambda: machine.rungs()[3:] == ["blade_off"])
    one = machine.begun()
    assert one.cause is not None
    assert (one.cause.monitor, one.cause.value) == ("solution", "float")
    clock = time.strftime("%H:%M:%S", time.gmtime(epochs[9].time_s))
    where = one.begun[1].where
    assert where.epoch is not None and f"T{clock}" in where.epoch.utc


def spans(data: bytes, epochs: list[Gga]) -> Iterator[tuple[int, int]]:
    """Where each second of a recording begins and ends: its burst begins with RMC."""
    times_s = [*(epoch.time_s for epoch in epochs), epochs[-1].time_s + 1.0]
    clocks = [time.strftime("%H%M%S", time.gmtime(time_s)) for time_s in times_s]
    starts = [data.index(f"$GNRMC,{clock}.00,".encode()) for clock in clocks]
    return pairwise(starts)


# Generated epochs


def test_the_lines_come_on_when_armed_and_not_before(start: Start, receiver: Receiver) -> None:
    machine = start()
    receiver.quality = 5
    receiver.talk(1.0)
    assert not machine.on("drive_enable")
    assert machine.rungs() == []
    receiver.quality = 4
    fixed_s = receiver.talk_until(lambda: machine.on("drive_enable"))
    assert time.monotonic() - fixed_s >= SOON["arm"]["fixed_for_s"]
    receiver.talk_until(lambda: machine.on("warning"))
    assert not machine.on("blade_enable")
    receiver.talk_until(machine.full)
    until(lambda: machine.rungs() == ["blade_off", "slowed", "full"])
    beats = len(machine.pin("heartbeat").written)
    receiver.talk(1.0)
    assert 5 <= len(machine.pin("heartbeat").written) - beats <= 11


def test_a_float_solution_drops_the_blade_and_then_gives_it_back(
    start: Start, receiver: Receiver
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    receiver.quality = 5
    sent_s = receiver.talk_until(lambda: not machine.on("blade_enable"))
    assert machine.dropped_s("blade_enable") - sent_s <= DROP_S
    assert machine.on("drive_enable", "slow")
    receiver.quality = 4
    receiver.talk_until(machine.full)


@pytest.mark.parametrize(
    ("age_s", "dropped"), [(20.1, "blade_enable"), (60.1, "drive_enable")], ids=["blade", "drive"]
)
def test_corrections_older_than_a_limit_drop_its_line(
    start: Start, receiver: Receiver, age_s: float, dropped: str
) -> None:
    machine = start()
    receiver.age_s = 10.0
    receiver.talk_until(machine.full)
    receiver.talk(0.5)
    assert machine.full()
    receiver.age_s = age_s
    sent_s = receiver.talk_until(lambda: not machine.on(dropped))
    assert machine.dropped_s(dropped) - sent_s <= DROP_S
    assert not machine.on("blade_enable")
    assert machine.on("drive_enable") is (dropped == "blade_enable")


def test_coming_too_near_to_the_fence_drops_all(start: Start, receiver: Receiver) -> None:
    """The lawn ends 30 m east; the mower's front edge is 0.35 m ahead of the antenna."""
    machine = start()
    receiver.east_m = 28.2
    receiver.talk_until(machine.full)
    receiver.speed_mps = 0.5
    receiver.talk_until(lambda: receiver.east_m > 28.5)
    assert machine.full()
    receiver.talk_until(lambda: machine.on("slow"))
    assert machine.on("drive_enable", "blade_enable")
    # It does not slow down. The drive line cuts the power, so the blade may turn as long. To stand
    # takes 0.34 m: 0.15 m until the brakes bite, 0.19 m of braking.
    receiver.talk_until(lambda: receiver.east_m + 0.35 > 30.0 - 0.34)
    sent_s = time.monotonic()
    until(lambda: not machine.on("drive_enable"))
    assert machine.dropped_s("drive_enable") - sent_s <= DROP_S
    assert not machine.on("blade_enable")
    until(lambda: machine.rungs()[-1] == "halted")
    halted = machine.changes()[-1]
    assert [one.monitor for one in halted.findings if one.rung == "halted"] == ["stopping"]
    assert halted.where.nearest == "lawn"
    receiver.talk(1.0)
    assert not machine.on("drive_enable")


def test_a_pulled_plug_drops_the_lines_in_time_and_once_back_they_come_on_again(
    start: Start, receiver: Receiver, plug: Plug
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    receiver.talk(0.5)
    plug.pull()
    pulled_s = time.monotonic()
    until(lambda: not machine.on("drive_enable"))
    late_s = TICK_S + SLACK_S
    assert machine.dropped_s("blade_enable") - pulled_s <= SILENCE_S["blade_off"] + late_s
    assert machine.dropped_s("drive_enable") - pulled_s <= SILENCE_S["halted"] + late_s
    until(lambda: machine.rungs()[-3:] == ["slowed", "blade_off", "halted"])
    cause = machine.begun().cause
    assert cause is not None and cause.monitor == "silence"
    told = " ".join(filter(None, machine.faults))
    assert str(plug.path) in told
    assert "lost" in told
    plug.put_in()
    until(lambda: machine.faults[-1] is None)
    assert not machine.on("drive_enable")
    back_s = receiver.talk_until(lambda: machine.on("drive_enable"))
    assert time.monotonic() - back_s >= SOON["clear_s"]["halted"]
    receiver.talk_until(machine.full)


def test_a_receiver_that_falls_silent_with_its_plug_in_halts_the_mower(
    start: Start, receiver: Receiver
) -> None:
    machine = start()
    receiver.talk_until(machine.full)
    silent_s = time.monotonic()
    until(lambda: not machine.on("drive_enable"))
    assert machine.dropped_s("drive_enable") - silent_s <= SILENCE_S["halted"] + TICK_S + SLACK_S
    assert machine.faults == [None]
