"""Buttons on pins of the board."""

from typing import TYPE_CHECKING

from fenceguard.errors import BadInput

if TYPE_CHECKING:
    from gpiozero.pins import Factory


class ResetButton:
    """The button by which a person at the machine lets it leave `locked`.

    It closes from a pin, BCM number `pin`, to ground; the pin is pulled up. Raises BadInput if the
    pin cannot be had. When it cannot be read any more, it is not down until it was seen released:
    else a stuck button would be pressed by every fault that passes.
    """

    name = "reset"

    def __init__(self, pin: int, pin_factory: "Factory | None" = None) -> None:
        self.fault: str | None = None
        self._pin = pin
        self._must_be_released = False
        try:
            # Imported here, as it takes time and memory, and only a board has pins.
            from gpiozero import Button

            self._button = Button(pin, pull_up=True, bounce_time=None, pin_factory=pin_factory)
        except Exception as error:  # each pin library has errors of its own
            raise BadInput(
                f"inputs.reset_pin: {pin} cannot be read: {error}; on the board install "
                '"fenceguard[board]", elsewhere leave inputs out'
            ) from error

    def down(self) -> bool:
        """Whether it is held down now. Never raises."""
        try:
            down = bool(self._button.is_pressed)
        except Exception as error:  # each pin library has errors of its own
            self.fault = (
                f"inputs.reset_pin: {self._pin} cannot be read any more: {error}; it counts as not "
                "pressed; see to its wire and start again"
            )
            self._must_be_released = True
            return False
        self.fault = None
        self._must_be_released = self._must_be_released and down
        return down and not self._must_be_released

    def close(self) -> None:
        """Give the pin back."""
        self._button.close()
