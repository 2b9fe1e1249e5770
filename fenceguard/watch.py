"""One watch over the mower: an epoch in, lines held or dropped, and the account of it.

The live service and the replay both keep a watch; they differ in where time and bytes come from.
"""

from collections.abc import Callable
from typing import Any

from fenceguard import __version__
from fenceguard.account import Account, Event
from fenceguard.journal.write import Journal
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import NOTHING_PRESSED, Decision, Inputs
from fenceguard.outputs.lines import Lines
from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.receiver import Receiver
from fenceguard.settings import Loaded


class Watch:
    """The receiver's epochs, the supervisor, its hands and its memory.

    `told` is called with every event; it must not block.
    """

    def __init__(
        self,
        loaded: Loaded,
        lines: Lines,
        journal: Journal | None,
        told: Callable[[Event], None],
        host_utc_s: Callable[[], float] | None = None,
    ) -> None:
        settings = loaded.settings
        first = journal.next_intervention if journal else 1
        self.receiver = Receiver.from_settings(settings.receiver)
        self.account = Account(loaded, first, host_utc_s)
        self.lines = lines
        self._loaded = loaded
        self._journal = journal
        self._told = told
        self._supervisor = Supervisor.from_settings(settings, loaded.fence)
        self._summary_s = settings.journal.summary_s if settings.journal else 60.0
        self._summary_due_s: float | None = None

    def start(self, now_s: float, utc_s: float, mode: str, source: str) -> None:
        """Write down what is about to be watched, and with what."""
        loaded = self._loaded
        evidence = {
            "version": __version__,
            "mode": mode,
            "source": source,
            "settings_file": str(loaded.settings_file),
            "settings_hash": loaded.settings_hash,
            "fence_file": str(loaded.fence_file),
            "fence_hash": loaded.fence_hash,
            "settings": loaded.settings.model_dump(mode="json"),
            "rung": loaded.settings.start,
            "set_aside": self._journal.set_aside if self._journal else None,
        }
        self._tell(Event("start", now_s, utc_s, evidence))

    def step(self, now_s: float, epoch: Epoch | None, inputs: Inputs = NOTHING_PRESSED) -> Decision:
        """One step: decide, move the lines, then take note."""
        decision = self._supervisor.step(now_s, epoch, inputs)
        self.lines.apply(decision.grant)
        for event in self.account.add(decision):
            self._tell(event)
        if self._summary_due_s is None:
            self._summary_due_s = now_s + self._summary_s
        elif now_s >= self._summary_due_s:
            self._summary_due_s = now_s + self._summary_s
            self._summarise("summary", now_s, {"rung": decision.rung.word})
        return decision

    def stop(self, now_s: float, reason: str) -> None:
        """Write down that the watch ends."""
        for event in self.account.finish():
            self._tell(event)
        self._summarise("stop", now_s, {"reason": reason, "rung": self.rung})

    @property
    def rung(self) -> str:
        """The rung that the ladder stands on."""
        return self._supervisor.rung.word

    def _summarise(self, kind: str, now_s: float, first: dict[str, Any]) -> None:
        account = self.account
        evidence = {
            **first,
            "epochs": account.epochs,
            "sentences": self.receiver.sentences,
            "rejected": dict(self.receiver.rejected),
            "time_in_rung_s": {
                rung: round(spent_s, 3) for rung, spent_s in account.time_in_rung_s.items()
            },
        }
        self._tell(Event(kind, now_s, account.utc_s(now_s), evidence))

    def _tell(self, event: Event) -> None:
        if self._journal is not None:
            self._journal.add(*event)
        self._told(event)
