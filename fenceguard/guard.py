"""The guard: the whole chain without I/O. Bytes and inputs with their times in, decisions out.

Whoever drives it has a clock, a source of bytes and somebody to act on the decisions: the live
loop, a replay, a drill, a bench. It does four things:

- `receive(at_s, data)` when bytes have arrived, `sense(at_s, inputs)` when an input was looked at;
- `tick(at_s)` when nothing has, but `due_s` has come;
- then act on the decisions that these return, and write down `entries()`.

The same calls give the same decisions, bit for bit. Ticks lie on a grid that begins with the run,
and each is decided on at the moment when it was due. Whatever is due by the time that something
arrives is decided on before it. So what arrived, and when, says everything: a recording needs
nothing else.
"""

from fenceguard import __version__
from fenceguard.journal.account import Account
from fenceguard.journal.records import Entry, Start
from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Inputs, pressed
from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.receiver import Receiver
from fenceguard.settings import Loaded

HOLE_S = 900.0
"""Ticks are made up for as long a time as this. Whatever came of it has come by then."""
SUMMARY_S = 60.0
"""How often a summary is told where no journal says it."""


class Guard:
    """Owns the receiver, the supervisor and the account of one run."""

    def __init__(self, loaded: Loaded, first_intervention: int = 1) -> None:
        settings = loaded.settings
        self.receiver = Receiver.from_settings(settings.receiver)
        summary_s = settings.journal.summary_s if settings.journal else SUMMARY_S
        self.account = Account(
            self.receiver,
            loaded.settings_hash,
            loaded.fence_hash,
            summary_s,
            first_intervention,
        )
        self.decision: Decision | None = None
        """The newest one."""
        self.ticks = 0
        """How many ticks were decided on."""
        self._supervisor = Supervisor.from_settings(settings, loaded.fence)
        self._loaded = loaded
        self._tick_s = settings.tick_s
        self._next_tick_s = 0.0
        self._now_s = 0.0
        self._inputs = Inputs()
        self._entries: list[Entry] = []

    def start(
        self,
        at_s: float,
        utc_s: float,
        *,
        run: str,
        mode: str,
        source: str,
        set_aside: dict[str, object] | None = None,
    ) -> None:
        """The run begins, and with it the grid of the ticks."""
        loaded = self._loaded
        self._next_tick_s = self._now_s = at_s
        start = Start(
            run=run,
            version=__version__,
            mode=mode,
            source=source,
            settings_file=str(loaded.settings_file),
            settings_hash=loaded.settings_hash,
            setup_hash=loaded.setup_hash,
            fence_file=str(loaded.fence_file),
            fence_hash=loaded.fence_hash,
            settings=loaded.settings.model_dump(mode="json"),
            rung=self._supervisor.rung.word,
            set_aside=set_aside,
            interventions=self.account.interventions,
        )
        self._entries.append(Entry(at_s, utc_s, start))

    @property
    def due_s(self) -> float:
        """When it wants to be ticked next."""
        waiting_s = self.receiver.due_s
        return self._next_tick_s if waiting_s is None else min(self._next_tick_s, waiting_s)

    def receive(self, at_s: float, data: bytes) -> list[Decision]:
        """Bytes have arrived."""
        decisions = self.tick(at_s)
        decisions += [self._step(at_s, epoch) for epoch in self.receiver.feed(data, at_s)]
        return decisions

    def hear(self, at_s: float, epoch: Epoch) -> list[Decision]:
        """An epoch of a log has arrived; the receiver has had its bytes.

        It comes before a tick of the same moment: in a log both often lie on the same round times.
        """
        return [*self._catch_up(at_s), self._step(at_s, epoch)]

    def sense(self, at_s: float, inputs: Inputs) -> list[Decision]:
        """An input was looked at; a change of it is decided on at once, and held from then on."""
        decisions = self.tick(at_s)
        if inputs == self._inputs:
            return decisions
        before, self._inputs = self._inputs, inputs
        if pressed(inputs) != pressed(before):
            self._entries.append(self.account.sensed(at_s, inputs))
        return [*decisions, self._step(at_s, None)]

    def tick(self, at_s: float) -> list[Decision]:
        """Time has passed: whatever was due by now is decided on."""
        decisions = self._catch_up(at_s)
        while self.due_s <= at_s:
            decisions += self._due(self.due_s)
        return decisions

    def stop(self, at_s: float, reason: str) -> None:
        """The run ends."""
        self.tick(at_s)
        self._entries += self.account.finish(at_s, reason)

    def entries(self) -> list[Entry]:
        """What has come to be written down since this was last asked."""
        entries, self._entries = self._entries, []
        return entries

    def _catch_up(self, at_s: float) -> list[Decision]:
        """Decide on what was due before a moment."""
        decisions: list[Decision] = []
        if at_s < self._now_s:
            # The clock has gone back, and the grid begins anew.
            self._next_tick_s = at_s
        began_s = self._next_tick_s
        while True:
            if self._next_tick_s - began_s > HOLE_S:
                self._next_tick_s = at_s
            if self.due_s >= at_s:
                break
            decisions += self._due(self.due_s)
        self._now_s = at_s
        return decisions

    def _due(self, due_s: float) -> list[Decision]:
        """Decide on what is due at a moment: an epoch that has waited, then the tick."""
        decisions = [self._step(due_s, epoch) for epoch in self.receiver.poll(due_s)]
        if due_s >= self._next_tick_s:
            self._next_tick_s += self._tick_s
            self.ticks += 1
            decisions.append(self._step(due_s, None))
        return decisions

    def _step(self, now_s: float, epoch: Epoch | None) -> Decision:
        decision = self.decision = self._supervisor.step(now_s, epoch, self._inputs)
        self._entries += self.account.add(decision)
        return decision
