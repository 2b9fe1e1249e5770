"""Inputs, on mock pins that can break."""

import pytest
from gpiozero import DigitalOutputDevice

from fenceguard.errors import BadInput
from fenceguard.inputs.buttons import ResetButton
from fenceguard.inputs.input import Panel
from fenceguard.judgement.types import Inputs
from tests.support.pins import NO_SUCH_PIN, RESET_PIN, Board


@pytest.fixture
def board() -> Board:
    return Board()


@pytest.fixture
def button(board: Board) -> ResetButton:
    return ResetButton(RESET_PIN, board.factory)


# The reset button


def test_it_is_down_as_long_as_it_is_held(board: Board, button: ResetButton) -> None:
    for _ in range(3):
        assert [button.down() for _ in range(3)] == [False] * 3
        board.button.drive_low()
        assert [button.down() for _ in range(3)] == [True] * 3
        board.button.drive_high()
    assert button.fault is None


def test_it_is_down_if_it_is_held_at_the_start(board: Board, button: ResetButton) -> None:
    """What that means, whoever judges it must know: it shows how it stands."""
    board.button.drive_low()
    assert button.down()


def test_its_pin_is_pulled_up_and_given_back(board: Board) -> None:
    for _ in range(2):
        button = ResetButton(RESET_PIN, board.factory)
        assert board.button.pull == "up"
        button.close()


@pytest.mark.parametrize("pin", [RESET_PIN, NO_SUCH_PIN])
def test_a_pin_that_cannot_be_had(board: Board, pin: int) -> None:
    other = DigitalOutputDevice(RESET_PIN, pin_factory=board.factory)
    with pytest.raises(BadInput, match=rf"^inputs\.reset_pin: {pin} cannot be read: ") as caught:
        ResetButton(pin, board.factory)
    assert "leave inputs out" in str(caught.value)
    other.close()


def test_a_pin_that_its_library_does_not_give_out(board: Board) -> None:
    board.button.broken = True
    with pytest.raises(BadInput, match=r"^inputs\.reset_pin: 21 .* the pin is gone"):
        ResetButton(RESET_PIN, board.factory)


@pytest.mark.parametrize("held_before", [False, True])
@pytest.mark.parametrize("held_after", [False, True])
def test_a_pin_that_breaks_is_told_and_never_resets(
    board: Board, button: ResetButton, held_before: bool, held_after: bool
) -> None:
    """After the fault it must be seen released before it can be pressed again."""
    if held_before:
        board.button.drive_low()
    assert button.down() is held_before
    board.button.broken = True
    for _ in range(3):
        assert not button.down()
        assert (button.fault or "").startswith(
            "inputs.reset_pin: 21 cannot be read any more: the pin is gone; "
        )
    board.button.broken = False
    (board.button.drive_low if held_after else board.button.drive_high)()
    assert [button.down() for _ in range(3)] == [False] * 3
    assert button.fault is None
    board.button.drive_high()
    assert not button.down()
    board.button.drive_low()
    assert button.down()


def test_a_pin_that_was_given_back_is_not_down(board: Board, button: ResetButton) -> None:
    board.button.drive_low()
    button.close()
    assert not button.down()
    assert button.fault is not None


# All inputs at once


def test_a_panel_tells_all_that_is_held(board: Board, button: ResetButton) -> None:
    panel = Panel(button)
    assert panel.held() == Inputs(reset=False)
    board.button.drive_low()
    assert panel.held() == Inputs(reset=True)
    assert panel.fault is None
    board.button.broken = True
    assert panel.held() == Inputs(reset=False)
    assert panel.fault == button.fault
    board.button.broken = False
    panel.close()
    ResetButton(RESET_PIN, board.factory).close()


def test_a_machine_without_inputs_holds_none() -> None:
    panel = Panel()
    assert (panel.held(), panel.fault) == (Inputs(), None)
    panel.close()


class Switch:
    """An input that stands as it is told to."""

    def __init__(self, name: str, fault: str | None = None) -> None:
        self.name = name
        self.fault = fault

    def down(self) -> bool:
        return False

    def close(self) -> None:
        pass


def test_names_that_nobody_judges_and_names_given_twice_are_refused() -> None:
    for names in (["horn"], ["reset", "horn"], ["reset", "reset"]):
        with pytest.raises(ValueError, match=names[-1]):
            Panel(*map(Switch, names))
