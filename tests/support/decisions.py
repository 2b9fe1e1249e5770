"""Decisions, made up, and the account that is taken of them."""

from typing import Any

from fenceguard.journal.account import Account
from fenceguard.journal.records import Entry, Stop
from fenceguard.judgement.types import Decision, Finding, Grant, Rung, Situation
from fenceguard.receiver.epoch import Epoch
from fenceguard.receiver.receiver import Receiver
from tests.support.made import BEGIN

FULL, SLOWED, BLADE_OFF, HALTED, LOCKED = Rung
SUMMARY_S = 60.0
MONITORS = ("hdop", "late", "satellites")
HOST_S = BEGIN.timestamp()
EPOCH = Epoch(HOST_S + 1000.0, 50.0, 10.0, 441.0, quality=4, satellites=20, hdop=0.6)


def account(first_intervention: int = 1) -> Account:
    """Of a run that hears nothing."""
    return Account(Receiver(0.12), "aaaa", "bbbb", SUMMARY_S, first_intervention)


def demand(monitor: str, rung: Rung, value: float | str | None = 9.0) -> Finding:
    """What a monitor demands."""
    return Finding(monitor, value, None if value is None else 2.0, "m", rung)


def decided(
    now_s: float,
    rung: Rung = FULL,
    was: Rung | None = None,
    *findings: Finding,
    watched: tuple[Finding, ...] = (),
    armed: bool = True,
    warning: bool = False,
    situation: Situation = Situation(),  # noqa: B008
    **changes: Any,
) -> Decision:
    """A decision on a rung, by default the one before."""
    return Decision(
        now_s=now_s,
        rung=rung,
        was=rung if was is None else was,
        why="" if was in (None, rung) else "demand",
        clear_s=None,
        grant=Grant(rung < HALTED, rung < BLADE_OFF, rung > FULL, warning, 0.5, now_s + 0.2),
        findings=findings,
        watched=watched,
        situation=situation,
        armed=armed,
    )._replace(**changes)


def of_kind(kind: type, entries: list[Entry]) -> list[Any]:
    """The records of a kind."""
    return [entry.record for entry in entries if isinstance(entry.record, kind)]


def totals(one: Account, now_s: float) -> Stop:
    """The account at the end."""
    record = one.finish(now_s, "over")[-1].record
    assert isinstance(record, Stop)
    return record
