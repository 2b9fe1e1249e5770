"""Lines, reset button and teller: mock pins that note what is written to them, and real pipes."""

import contextlib
import os
import threading
import time
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from gpiozero import DigitalOutputDevice
from gpiozero.pins.mock import MockFactory, MockPin
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.errors import BadInput
from fenceguard.judgement.types import Grant
from fenceguard.outputs.lines import Lines
from fenceguard.outputs.teller import END_S, WAITING, Teller
from fenceguard.service import ResetButton
from fenceguard.settings.models import InputSettings, OutputSettings

PINS = {"drive_enable": 5, "blade_enable": 6, "slow": 13, "heartbeat": 19, "warning": 26}
NO_SUCH_PIN = 53
"""BCM numbers of a 40-pin board end at 27."""
SLACK_S = 0.5
"""By which a busy machine may be late."""
ALL_OFF = dict.fromkeys(PINS, False)


class PinError(Exception):
    """What a pin library raises that knows none of gpiozero's errors, as that of a board does."""


class Pin(MockPin):  # type: ignore[misc]
    """A pin that notes every level written to it, changed or not, and that can break."""

    def __init__(self, factory: MockFactory, info: Any) -> None:
        self.written: list[bool] = []
        self.broken = False
        super().__init__(factory, info)

    def _set_state(self, value: float) -> None:
        if self.broken:
            raise PinError("the pin cannot be written")
        self.written.append(bool(value))
        super()._set_state(value)


class Board:
    """A board whose pins are seen from outside: by their levels."""

    def __init__(self, active_high: bool = True, **changes: Any) -> None:
        self.factory = MockFactory(pin_class=Pin)
        self.active_high = active_high
        lines = {name: {"pin": pin, "active_high": active_high} for name, pin in PINS.items()}
        self.settings = OutputSettings.model_validate(lines | changes)

    def lines(self) -> Lines:
        return Lines(self.settings, self.factory)

    def pin(self, name: str) -> Pin:
        pin = self.factory.pin(PINS[name])
        assert isinstance(pin, Pin)
        return pin

    def on(self) -> dict[str, bool]:
        """For each line, whether its pin has the level that means on."""
        return {name: bool(self.pin(name).state) == self.active_high for name in PINS}

    def written(self) -> int:
        """How often any pin was written."""
        return sum(len(self.pin(name).written) for name in PINS)

    def can_be_had(self, name: str) -> bool:
        """Whether the pin belongs to nobody."""
        try:
            DigitalOutputDevice(PINS[name], initial_value=None, pin_factory=self.factory).close()
        except Exception:
            return False
        return True


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
        with board.lines() as lines:
            lines.apply(before)
            lines.apply(given_)
            assert {name for name, is_on in board.on().items() if is_on} == on


@pytest.mark.parametrize("name", [name for name in PINS if name != "heartbeat"])
def test_each_line_has_its_own_polarity(name: str) -> None:
    board = Board(True, **{name: {"pin": PINS[name], "active_high": False}})
    levels = {other: other == name for other in PINS}
    with board.lines() as lines:
        assert {other: bool(board.pin(other).state) for other in PINS} == levels
        lines.apply(ALL)
        levels = {other: other not in (name, "heartbeat") for other in PINS}
        assert {other: bool(board.pin(other).state) for other in PINS} == levels


booleans = st.booleans()
grants = st.builds(grant, booleans, booleans, booleans, booleans)


@given(given_=st.lists(grants, min_size=1, max_size=20), active_high=booleans)
def test_only_changes_are_written(given_: list[Grant], active_high: bool) -> None:
    board = Board(active_high)
    with board.lines() as lines:
        before = board.written()
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
        assert board.written() - before == changes


def test_the_heartbeat_turns_over_once_a_beat(board: Board) -> None:
    with board.lines() as lines:
        pin = board.pin("heartbeat")
        pin.written.clear()
        others = board.written()
        for beat in range(1, 8):
            lines.beat()
            lines.apply(grant(False, False, False, False))
            assert board.on()["heartbeat"] is (beat % 2 == 1)
            assert len(pin.written) == beat
        assert board.written() - len(pin.written) == others


def test_the_warning_line_may_be_left_out() -> None:
    board = Board(warning=None)
    with board.lines() as lines:
        lines.apply(ALL)
        assert board.can_be_had("warning")
        assert board.on() == ALL_OFF | {"drive_enable": True, "blade_enable": True, "slow": True}
    assert board.on() == ALL_OFF


def test_without_settings_there_are_no_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not even a pin library is asked for, which off the board there would be none of."""
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "nothing-of-that-name")
    with Lines(None) as lines:
        lines.apply(ALL)
        lines.beat()
        lines.off()
    lines.close()


# Off, whatever happens


def test_all_lines_are_off_from_construction_on(board: Board) -> None:
    with board.lines():
        assert board.on() == ALL_OFF
        for name in PINS:
            assert set(board.pin(name).written) <= {not board.active_high}
            assert board.pin(name).function == "output"


def all_on(board: Board, lines: Lines) -> None:
    lines.apply(ALL)
    lines.beat()
    assert all(board.on().values())


def test_off_puts_every_line_off_and_the_next_grant_on_again(board: Board) -> None:
    with board.lines() as lines:
        for _ in range(2):
            all_on(board, lines)
            lines.off()
            assert board.on() == ALL_OFF


def test_close_puts_every_line_off_gives_the_pins_back_and_may_be_repeated(board: Board) -> None:
    lines = board.lines()
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
        with board.lines() as lines:
            all_on(board, lines)
            if raised is not None:
                raise raised
    assert board.on() == ALL_OFF


@pytest.mark.parametrize("broken", PINS)
@pytest.mark.parametrize("way", ["off", "close", "leave"])
def test_each_line_is_put_off_even_if_another_one_fails(
    board: Board, broken: str, way: str
) -> None:
    lines = board.lines()
    all_on(board, lines)
    board.pin(broken).broken = True
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
    with board.lines() as lines:
        all_on(board, lines)
        board.pin("drive_enable").broken = True
        with pytest.raises(PinError):
            lines.off()
        board.pin("drive_enable").broken = False
        lines.off()
        assert board.on() == ALL_OFF


# Pins that cannot be had


def beginning(name: str, pin: int) -> str:
    return f"outputs.{name}: pin {pin} cannot be driven: "


@pytest.mark.parametrize("name", PINS)
def test_a_pin_that_another_device_has(board: Board, name: str) -> None:
    other = DigitalOutputDevice(PINS[name], initial_value=True, pin_factory=board.factory)
    with pytest.raises(BadInput) as caught:
        board.lines()
    assert str(caught.value).startswith(beginning(name, PINS[name]))
    assert other.value == 1
    rest = [other_name for other_name in PINS if other_name != name]
    assert all(map(board.can_be_had, rest))
    assert all(set(board.pin(one).written) <= {not board.active_high} for one in rest)


@pytest.mark.parametrize("name", PINS)
def test_a_pin_that_the_board_lacks(name: str) -> None:
    board = Board(True, **{name: {"pin": NO_SUCH_PIN}})
    with pytest.raises(BadInput) as caught:
        board.lines()
    assert str(caught.value).startswith(beginning(name, NO_SUCH_PIN))
    assert "set outputs: none" in str(caught.value)
    assert all(map(board.can_be_had, PINS))
    assert board.on() == ALL_OFF


@pytest.mark.parametrize("name", PINS)
def test_a_pin_that_its_library_does_not_give_out(board: Board, name: str) -> None:
    """Another program holds it, say, which only the library of the board can know."""
    board.pin(name).broken = True
    with pytest.raises(BadInput) as caught:
        board.lines()
    assert str(caught.value).startswith(beginning(name, PINS[name]))
    assert "the pin cannot be written" in str(caught.value)
    assert all(board.can_be_had(other) for other in PINS if other != name)
    assert all(set(board.pin(other).written) <= {not board.active_high} for other in PINS)


def test_a_machine_without_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "nothing-of-that-name")
    with pytest.raises(BadInput, match=r'install "fenceguard\[board\]"'):
        Lines(Board().settings)


# The reset button

RESET_PIN = 21
RESET = InputSettings(reset_pin=RESET_PIN)


def test_only_a_press_counts_and_it_counts_once() -> None:
    factory = MockFactory()
    button = ResetButton(RESET, factory)
    pin = factory.pin(RESET_PIN)
    for _ in range(3):
        assert [button.pressed() for _ in range(3)] == [False] * 3
        pin.drive_low()
        assert [button.pressed() for _ in range(3)] == [True, False, False]
        pin.drive_high()


def test_a_button_held_at_start_does_nothing_until_released_and_pressed_again() -> None:
    factory = MockFactory()
    button = ResetButton(RESET, factory)
    factory.pin(RESET_PIN).drive_low()
    assert [button.pressed() for _ in range(3)] == [False] * 3
    factory.pin(RESET_PIN).drive_high()
    assert not button.pressed()
    factory.pin(RESET_PIN).drive_low()
    assert button.pressed()


def test_the_pin_of_the_button_is_pulled_up_and_given_back() -> None:
    factory = MockFactory()
    for _ in range(2):
        button = ResetButton(RESET, factory)
        assert factory.pin(RESET_PIN).pull == "up"
        button.close()


@pytest.mark.parametrize("pin", [RESET_PIN, NO_SUCH_PIN])
def test_a_button_whose_pin_cannot_be_had(pin: int) -> None:
    factory = MockFactory()
    other = DigitalOutputDevice(RESET_PIN, pin_factory=factory)
    with pytest.raises(BadInput, match=rf"^inputs\.reset_pin: {pin} cannot be read: "):
        ResetButton(InputSettings(reset_pin=pin), factory)
    other.close()


def test_a_button_whose_pin_its_library_does_not_give_out() -> None:
    class Refused(MockPin):  # type: ignore[misc]
        def _set_pull(self, value: str) -> None:
            if value == "up":
                raise PinError("the pin is busy")
            super()._set_pull(value)

    with pytest.raises(BadInput, match=r"^inputs\.reset_pin: 21 .* the pin is busy"):
        ResetButton(RESET, MockFactory(pin_class=Refused))


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
