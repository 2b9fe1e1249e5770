"""Tells: what the receiver used to tell, or was declared to, and tells no more."""

from fenceguard.judgement.monitors.base import TIME_S, Default, Monitor, Reading
from fenceguard.judgement.types import Rung, Situation


def _read(situation: Situation) -> Reading:
    return situation.evidence.missing_s


def _note(situation: Situation) -> str:
    return situation.evidence.missing


TELLS = Monitor(
    name="tells",
    watches="what the receiver used to tell and tells no more",
    unit="s",
    worse="above",
    takes=TIME_S,
    defaults=(
        Default(Rung.SLOWED, 1.0, "some sentences lost; the evidence that they carry is missing"),
        Default(Rung.BLADE_OFF, 10.0, "not a lost sentence any more"),
    ),
    sentence="for {value} s the receiver had not told what it used to; {limit} s are allowed",
    read=_read,
    note=_note,
)
