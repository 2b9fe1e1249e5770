"""Lines and teller: mock pins that note what is written to them, and real pipes."""

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from gpiozero import DigitalOutputDevice
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.errors import BadInput
from fenceguard.judgement.types import Grant
from fenceguard.outputs.lines import Lines
from fenceguard.outputs.output import Output
from fenceguard.outputs.teller import END_S, WAITING, Teller
from fenceguard.settings.models import LineSettings, OutputSettings
from tests.support.pins import ALL_OFF, NO_SUCH_PIN, PINS, Board, PinError

SLACK_S = 0.5
"""By which a busy machine may be late."""


def wires(active_high: bool = True, **changes: Any) -> dict[str, LineSettings]:
    """The wires of every line, as settings give them; None leaves a line out."""
    lines = {name: {"pin": pin, "active_high": active_high} for name, pin in PINS.items()}
    return OutputSettings.model_validate(lines | changes).lines()


def lines_of(board: Board, **changes: Any) -> Lines:
    return Lines(wires(board.active_high, **changes), board.factory)


@pytest.fixture(params=[True, False], ids=["active high", "active low"])
def board(request: pytest.FixtureRequest) -> Board:
    return Board(request.param)


def grant(drive: bool, blade: bool, slow: bool, warning: bool) -> Grant:
    return Grant(drive, blade, slow, warning, top_speed_mps=0.5, valid_until_s=1.0)


ALL = grant(True, True, True, True)


# What a grant does to the lines

RUNG_GRANTS = [
    ("full", grant(True, True, False, False), {"drive_enable", "blade_enable"}),
    ("slowed", grant(True, True, True, False), {"drive_enable", "blade_enable", "slow"}),
    ("blade about to start", grant(True, False, True, True), {"drive_enable", "slow", "warning"}),
    ("blade_off", grant(True, False, True, False), {"drive_enable", "slow"}),
    ("halted", grant(False, False, True, False), {"slow"}),
    ("locked", grant(False, False, True, False), {"slow"}),
]
"""The design's table of rungs, and which lines it puts on."""


@pytest.mark.parametrize(
    ("given_", "on"), [row[1:] for row in RUNG_GRANTS], ids=[row[0] for row in RUNG_GRANTS]
)
def test_every_rung_puts_its_lines_on_and_the_others_off(
    board: Board, given_: Grant, on: set[str]
) -> None:
    for before in (grant(False, False, False, False), ALL):
        with lines_of(board) as lines:
            lines.apply(before)
            lines.apply(given_)
            assert {name for name, is_on in board.on().items() if is_on} == on


@pytest.mark.parametrize("name", [name for name in PINS if name != "heartbeat"])
def test_each_line_has_its_own_polarity(name: str) -> None:
    board = Board()
    levels = {other: other == name for other in PINS}
    low = {name: {"pin": PINS[name], "active_high": False}}
    with lines_of(board, **low) as lines:
        assert {other: board.line(other).high for other in PINS} == levels
        lines.apply(ALL)
        levels = {other: other not in (name, "heartbeat") for other in PINS}
        assert {other: board.line(other).high for other in PINS} == levels


booleans = st.booleans()
grants = st.builds(grant, booleans, booleans, booleans, booleans)


@given(given_=st.lists(grants, min_size=1, max_size=20), active_high=booleans)
def test_only_changes_are_written(given_: list[Grant], active_high: bool) -> None:
    board = Board(active_high)
    with lines_of(board) as lines:
        before = board.writes()
        for one in given_:
            lines.apply(one)
            assert board.on() == {
                "drive_enable": one.drive,
                "blade_enable": one.blade,
                "slow": one.slow,
                "warning": one.warning,
                "heartbeat": False,
            }
        steps = [(False,) * 4, *(one[:4] for one in given_)]
        changes = sum(a != b for old, new in pairwise(steps) for a, b in zip(old, new, strict=True))
        assert board.writes() - before == changes


def test_the_heartbeat_turns_over_once_a_beat(board: Board) -> None:
    with lines_of(board) as lines:
        pin = board.line("heartbeat")
        pin.written.clear()
        others = board.writes()
        for beat in range(1, 8):
            lines.beat()
            lines.apply(grant(False, False, False, False))
            assert board.on()["heartbeat"] is (beat % 2 == 1)
            assert len(pin.written) == beat
        assert board.writes() - len(pin.written) == others


def test_the_warning_line_may_be_left_out() -> None:
    board = Board()
    with lines_of(board, warning=None) as lines:
        lines.apply(ALL)
        assert board.can_be_had("warning")
        assert board.on() == ALL_OFF | {"drive_enable": True, "blade_enable": True, "slow": True}
        lines.beat()
        assert board.on()["heartbeat"]
    assert board.on() == ALL_OFF


def test_without_settings_there_are_no_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not even a pin library is asked for, which off the board there would be none of."""
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "nothing-of-that-name")
    for lines in (Lines(), Lines(None), Lines({}), Lines.from_settings(None)):
        with lines:
            lines.apply(ALL)
            lines.beat()
            lines.off()
        lines.close()


def test_without_pins_their_library_is_not_even_imported() -> None:
    """It takes time and memory, for nothing."""
    program = (
        "import sys; from fenceguard.outputs.lines import Lines; import fenceguard.inputs.buttons; "
        "Lines(None).close(); Lines.from_settings(None).close(); print('gpiozero' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True
    )
    assert done.stdout == "False\n"


def test_the_lines_of_the_settings_are_those_of_their_wires(board: Board) -> None:
    settings = OutputSettings.model_validate(
        {name: {"pin": pin, "active_high": board.active_high} for name, pin in PINS.items()}
    )
    with Lines.from_settings(settings, board.factory) as lines:
        all_on(board, lines)
    assert board.on() == ALL_OFF


def test_a_wire_that_no_line_is_known_for_is_refused() -> None:
    with pytest.raises(ValueError, match="horn"):
        Lines({"horn": wires()["slow"]}, Board().factory)


def test_the_worst_is_written_first(board: Board) -> None:
    """The blade, then the drive: a write that hangs must hang after them."""
    worst_first = ["blade_enable", "drive_enable", "slow", "warning", "heartbeat"]
    with lines_of(board) as lines:
        assert board.written_in_order() == worst_first
        all_on(board, lines)
        lines.apply(grant(False, False, False, False))
        assert board.written_in_order()[-4:] == worst_first[:-1]
        for put_off in (lines.off, lines.close):
            put_off()
            assert board.written_in_order() == worst_first


# Off, whatever happens


def test_all_lines_are_off_from_construction_on(board: Board) -> None:
    with lines_of(board):
        assert board.on() == ALL_OFF
        for name in PINS:
            assert set(board.line(name).levels) <= {not board.active_high}
            assert board.line(name).function == "output"


def all_on(board: Board, lines: Output) -> None:
    lines.apply(ALL)
    lines.beat()
    assert all(board.on().values())


def test_off_puts_every_line_off_and_the_next_grant_on_again(board: Board) -> None:
    with lines_of(board) as lines:
        for _ in range(2):
            all_on(board, lines)
            lines.off()
            assert board.on() == ALL_OFF


def test_after_off_a_grant_that_permits_nothing_writes_nothing(board: Board) -> None:
    with lines_of(board) as lines:
        all_on(board, lines)
        lines.off()
        before = board.writes()
        lines.apply(grant(False, False, False, False))
        assert board.writes() == before
        lines.beat()
        assert board.writes() == before + 1


def test_close_puts_every_line_off_gives_the_pins_back_and_may_be_repeated(board: Board) -> None:
    lines = lines_of(board)
    all_on(board, lines)
    assert not any(map(board.can_be_had, PINS))
    for _ in range(2):
        lines.close()
        assert board.on() == ALL_OFF
        assert all(map(board.can_be_had, PINS))


@pytest.mark.parametrize("raised", [None, ValueError, KeyboardInterrupt, SystemExit, GeneratorExit])
def test_leaving_the_block_puts_every_line_off(
    board: Board, raised: type[BaseException] | None
) -> None:
    with contextlib.ExitStack() as around:
        if raised is not None:
            around.enter_context(pytest.raises(raised))
        with lines_of(board) as lines:
            all_on(board, lines)
            if raised is not None:
                raise raised
    assert board.on() == ALL_OFF


@pytest.mark.parametrize("broken", PINS)
@pytest.mark.parametrize("way", ["off", "close", "leave"])
def test_each_line_is_put_off_even_if_another_one_fails(
    board: Board, broken: str, way: str
) -> None:
    lines = lines_of(board)
    all_on(board, lines)
    board.line(broken).broken = True
    with pytest.raises(PinError):
        if way == "leave":
            with lines:
                pass
        else:
            getattr(lines, way)()
    assert board.on() == ALL_OFF | {broken: True}
    if way != "off":
        assert all(board.can_be_had(name) for name in PINS)


def test_a_line_that_could_not_be_put_off_is_tried_again(board: Board) -> None:
    with lines_of(board) as lines:
        all_on(board, lines)
        board.line("drive_enable").broken = True
        with pytest.raises(PinError):
            lines.off()
        board.line("drive_enable").broken = False
        lines.off()
        assert board.on() == ALL_OFF


def test_a_line_that_could_not_be_moved_counts_as_where_it_was(board: Board) -> None:
    """Else the next grant would take it for moved, and leave a blade on."""
    with lines_of(board) as lines:
        all_on(board, lines)
        nothing = grant(False, False, False, False)
        board.line("blade_enable").broken = True
        with pytest.raises(PinError):
            lines.apply(nothing)
        board.line("blade_enable").broken = False
        lines.apply(nothing)
        assert not board.on()["blade_enable"]


# Pins that cannot be had


def beginning(name: str, pin: int) -> str:
    return f"outputs.{name}: pin {pin} cannot be driven: "


@pytest.mark.parametrize("name", PINS)
def test_a_pin_that_another_device_has(board: Board, name: str) -> None:
    other = DigitalOutputDevice(PINS[name], initial_value=True, pin_factory=board.factory)
    with pytest.raises(BadInput) as caught:
        lines_of(board)
    assert str(caught.value).startswith(beginning(name, PINS[name]))
    assert other.value == 1
    rest = [other_name for other_name in PINS if other_name != name]
    assert all(map(board.can_be_had, rest))
    assert all(set(board.line(one).levels) <= {not board.active_high} for one in rest)


@pytest.mark.parametrize("name", PINS)
def test_a_pin_that_the_board_lacks(name: str) -> None:
    board = Board()
    with pytest.raises(BadInput) as caught:
        lines_of(board, **{name: {"pin": NO_SUCH_PIN}})
    assert str(caught.value).startswith(beginning(name, NO_SUCH_PIN))
    assert "set outputs: none" in str(caught.value)
    assert all(map(board.can_be_had, PINS))
    assert board.on() == ALL_OFF


@pytest.mark.parametrize("name", PINS)
def test_a_pin_that_its_library_does_not_give_out(board: Board, name: str) -> None:
    """Another program holds it, say, which only the library of the board can know."""
    board.line(name).broken = True
    with pytest.raises(BadInput) as caught:
        lines_of(board)
    assert str(caught.value).startswith(beginning(name, PINS[name]))
    assert "the pin is gone" in str(caught.value)
    assert all(board.can_be_had(other) for other in PINS if other != name)
    assert all(set(board.line(other).levels) <= {not board.active_high} for other in PINS)


def test_a_machine_without_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "nothing-of-that-name")
    with pytest.raises(BadInput, match=r'install "fenceguard\[board\]"'):
        Lines(wires())


# The teller


def within(limit_s: float, action: Callable[[], object]) -> float:
    """Do it on a thread of its own, so that a test fails where it would hang; how long it took."""
    thread = threading.Thread(target=action, daemon=True)
    began_s = time.monotonic()
    thread.start()
    thread.join(limit_s)
    assert not thread.is_alive(), f"not done after {limit_s} s"
    return time.monotonic() - began_s


def test_everything_is_written_in_order() -> None:
    written: list[str] = []
    teller = Teller(written.append)
    for number in range(WAITING // 2):
        teller.tell(str(number))
    teller.close()
    assert written == [str(number) for number in range(WAITING // 2)]


class FullPipe:
    """A pipe that takes nothing more until somebody reads it."""

    def __init__(self) -> None:
        self.reading, self.writing = os.pipe()
        os.set_blocking(self.writing, False)
        self._taken, self._filled = b"", 0
        with contextlib.suppress(BlockingIOError):
            while True:
                self._filled += os.write(self.writing, b"." * 4096)
        os.set_blocking(self.writing, True)
        os.set_blocking(self.reading, False)

    def write(self, text: str) -> None:
        os.write(self.writing, f"{text}\n".encode())

    def read_until(self, text: str) -> list[str]:
        """Every text so far, once a certain one has come."""
        end_s = time.monotonic() + 10.0
        while text not in (texts := self._taken[self._filled :].decode().split("\n")[:-1]):
            assert time.monotonic() < end_s, texts
            with contextlib.suppress(BlockingIOError):
                self._taken += os.read(self.reading, 65536)
        return texts


def test_a_full_pipe_costs_texts_but_never_time() -> None:
    pipe = FullPipe()
    teller = Teller(pipe.write)

    def tell() -> None:
        for number in range(10 * WAITING):
            teller.tell(str(number))

    within(10.0, tell)
    pipe.read_until(str(WAITING - 1))
    teller.tell("last")
    kept = pipe.read_until("last")
    assert kept[:WAITING] == [str(number) for number in range(WAITING)]
    assert len(kept) <= WAITING + len(["in the writer's hand", "last"])
    teller.close()


@pytest.mark.parametrize("texts", [1, 10 * WAITING])
def test_a_writer_that_never_comes_back_is_left_behind(texts: int) -> None:
    teller = Teller(FullPipe().write)
    for number in range(texts):
        teller.tell(str(number))
    assert END_S / 2.0 < within(30.0, teller.close) < END_S + SLACK_S


def test_its_thread_has_a_name_and_does_not_keep_the_program_from_ending() -> None:
    before = set(threading.enumerate())
    teller = Teller(lambda _: None)
    (thread,) = set(threading.enumerate()) - before
    assert (thread.name, thread.daemon) == ("teller", True)
    teller.close()


@pytest.mark.parametrize("error", [OSError, BrokenPipeError, ValueError])
def test_a_writer_that_raises_is_asked_again_with_the_next_text(error: type[Exception]) -> None:
    asked: list[str] = []

    def write(text: str) -> None:
        asked.append(text)
        if len(asked) < 3:
            raise error("no one listens")

    teller = Teller(write)
    for text in "abcd":
        teller.tell(text)
    teller.close()
    assert asked == list("abcd")


def test_nothing_to_write_is_closed_at_once() -> None:
    assert within(30.0, Teller(lambda _: None).close) < END_S
