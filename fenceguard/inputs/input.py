"""What every input can do, and all of them at once."""

from typing import Protocol

from fenceguard.judgement.types import PRESSED, Inputs


class Input(Protocol):
    """Something that people hold down or let go: a button, a switch.

    It is looked at once a tick and tells how it stands, not what changed; whoever judges it sees a
    press in that. An input that cannot be read counts as not down, and says so.
    """

    @property
    def name(self) -> str:
        """Which field of `Inputs` it is."""

    @property
    def fault(self) -> str | None:
        """Why it cannot be read at present, and what to do about it; None if nothing is wrong."""

    def down(self) -> bool:
        """Whether it is held down now. Never raises."""

    def close(self) -> None:
        """Let go of whatever is held."""


class Panel:
    """All inputs of a machine, each with a name of its own. Raises ValueError for any other name.

    An input that the machine lacks counts as not down.
    """

    def __init__(self, *inputs: Input) -> None:
        self._inputs = {one.name: one for one in inputs}
        if len(self._inputs) < len(inputs) or not self._inputs.keys() <= set(PRESSED):
            raise ValueError(f"inputs {[one.name for one in inputs]}; each of {PRESSED} once")

    def held(self) -> Inputs:
        """Which inputs are down now. Never raises."""
        return Inputs(**{name: one.down() for name, one in self._inputs.items()})

    @property
    def fault(self) -> str | None:
        """What is wrong with the inputs that cannot be read; None if nothing is."""
        return "; ".join(one.fault for one in self._inputs.values() if one.fault) or None

    def close(self) -> None:
        """Let go of all of them."""
        for one in self._inputs.values():
            one.close()
