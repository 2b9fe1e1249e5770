"""What every output can do."""

from types import TracebackType
from typing import Protocol, Self

from fenceguard.judgement.types import Grant


class Output(Protocol):
    """Something that a grant moves: off until the first grant, and off again at the end.

    As a context manager it is closed when the `with` block is left, for whatever reason.
    """

    def apply(self, grant: Grant) -> None:
        """Do as the grant permits."""

    def beat(self) -> None:
        """Show that the program is alive. Called once a tick."""

    def off(self) -> None:
        """Permit nothing, until the next grant. Raises what failed, after all else was done."""

    def close(self) -> None:
        """Permit nothing, and let go of whatever is held. May be repeated."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...
