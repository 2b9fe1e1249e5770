"""The live loop: what a run begins with, and what it may do without."""

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from fenceguard.inputs.input import Panel
from fenceguard.journal.files import day_files
from fenceguard.journal.read import entries
from fenceguard.journal.records import Sensed, Start, Stop
from fenceguard.journal.write import Journal
from fenceguard.live import Live, clock_s
from fenceguard.recording import events
from fenceguard.settings import Loaded
from tests.support.lawns import loaded
from tests.support.loop import BEGIN_S, Button, Came, World, ran
from tests.support.made import QUICK, RATE_HZ, with_a_float

TORN = b'{"torn'


@pytest.fixture(scope="module")
def lawn(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return loaded(tmp_path_factory.mktemp("lawn"), **QUICK)


def epochs() -> list[Came]:
    """Up to full, down by a float, and up again."""
    lines = with_a_float(10.0).splitlines(keepends=True)
    return [
        Came(0.05 + number / RATE_HZ, b"".join(lines[2 * number : 2 * number + 2]))
        for number in range(50)
    ]


Run = Callable[..., World]


@pytest.fixture
def run(lawn: Loaded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs the loop into one journal, without a recorder, and with a panel if asked for."""

    def run(given: Loaded = lawn, held_s: list[tuple[float, float]] | None = None) -> World:
        world = World(epochs(), held_s or [], 10.1)
        monkeypatch.setattr("fenceguard.live.clock_s", lambda: world.now_s)
        journal = Journal(tmp_path / "journal")
        Live(
            given,
            world,
            world,
            journal,
            told=lambda entry: world.note("told", entry),
            shown=lambda decision: world.note("shown", decision),
            panel=None if held_s is None else Panel(Button(world)),
        ).run()
        journal.close()
        return world

    return run


def ends(world: World) -> tuple[Start, Stop]:
    """The first and the last record of a run."""
    start, stop = (world.all("told")[at].record for at in (0, -1))
    assert isinstance(start, Start) and isinstance(stop, Stop)
    return start, stop


def test_a_run_begins_with_what_the_one_before_has_left(run: Run, tmp_path: Path) -> None:
    """Its number of interventions, and the line that a power cut tore. Its name is its own."""
    start, stop = ends(run())
    assert (start.interventions, start.set_aside) == (0, None)
    assert stop.interventions > 0
    with day_files(tmp_path / "journal")[-1].open("ab") as file:
        file.write(TORN)
    after, _ = ends(run())
    assert after.interventions == stop.interventions
    assert after.set_aside is not None and after.set_aside["bytes"] == len(TORN)
    assert after.run != start.run
    assert len(after.run) == len(start.run) == 12
    written = [one.record for one in entries(tmp_path / "journal")]
    assert [one.set_aside for one in written if isinstance(one, Start)] == [None, after.set_aside]


@pytest.mark.parametrize("port", [None, "/dev/ttyRTK"])
def test_the_port_is_named_where_there_is_one(run: Run, lawn: Loaded, port: str | None) -> None:
    receiver = lawn.settings.receiver.model_copy(update={"port": port})
    settings = lawn.settings.model_copy(update={"receiver": receiver})
    start, _ = ends(run(lawn._replace(settings=settings)))
    assert (start.mode, start.source) == ("run", port or "")


def test_without_recorder_and_panel_it_decides_the_same(run: Run, lawn: Loaded) -> None:
    recorded = ran(lawn, epochs(), 10.1)
    assert ends(run())[1] == ends(recorded.world)[1]


def test_without_a_recorder_a_press_is_still_one(run: Run, lawn: Loaded) -> None:
    held_s = [(2.0, 2.5)]
    recorded = ran(lawn, epochs(), 10.1, held_s)
    bare = run(held_s=held_s)
    assert ends(bare)[1] == ends(recorded.world)[1] != ends(run())[1]


def test_only_changes_of_inputs_are_written_down_and_recorded(lawn: Loaded) -> None:
    once = ran(lawn, epochs(), 10.1, [(2.0, 2.5)])
    held = [one.inputs for one in once.recording if isinstance(one, events.Sensed)]
    assert held == [{"reset": True}, {"reset": False}]
    sensed = [one.record for one in once.journal if isinstance(one.record, Sensed)]
    assert [one.held for one in sensed] == held
    looks = [one.at_s for one in once.world.done if one.what == "look"]
    assert len(looks) > 90 and looks[0] == pytest.approx(BEGIN_S, abs=0.002)


def test_the_clock_goes_on_while_the_board_sleeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Linux, clock_gettime(2): CLOCK_BOOTTIME counts time suspended, CLOCK_MONOTONIC does not."""
    times_s = {time.CLOCK_BOOTTIME: 12.5}
    monkeypatch.setattr(time, "clock_gettime", lambda clock: times_s[clock])
    assert clock_s() == 12.5
