"""The kinds of record: what is written down, and how it becomes plain values and back.

Each kind is a frozen dataclass. Lengths are in m, times in s, angles in degrees clockwise from true
north. None stands for what is not known.
"""

import types
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, ClassVar, NamedTuple, Union, get_args, get_origin, get_type_hints

Plain = dict[str, Any]
"""What JSON can hold."""
RUNGS = ("full", "slowed", "blade_off", "halted", "locked")
"""From the most that is permitted to the least."""
NAMES_A_RUNG = {"rung", "was"}
"""Fields that hold the name of one."""


@dataclass(frozen=True, slots=True)
class FindingTold:
    """What a monitor said."""

    monitor: str
    value: float | str | None
    limit: float | str | None
    unit: str
    rung: str
    note: str


@dataclass(frozen=True, slots=True)
class EpochTold:
    """What the receiver said of the instant that was decided on."""

    utc: str
    quality: str
    lat_deg: float | None
    lon_deg: float | None
    height_m: float | None
    age_s: float | None
    station: str | None
    satellites: int | None
    hdop: float | None
    speed_mps: float | None
    course_deg: float | None
    heading_deg: float | None


@dataclass(frozen=True, slots=True)
class BoundTold:
    """The bound in its parts: K hypot(optimism σ, age part), and all that comes on top.

    In the reach, only what comes on top is told.
    """

    radius_m: float
    sigma_m: float
    optimism: float
    age_m: float
    per_sigma: float
    floor_m: float
    rounding_m: float
    """For the last digit of the position."""
    tilt_m: float
    """For a slope that is not known."""
    unexplained_m: float
    """For what contradicts the position."""
    reach_m: float
    """Of the reach, where the mower is only known to be in that; else 0."""


@dataclass(frozen=True, slots=True)
class Where:
    """Where the mower was, as far as that was known."""

    epoch: EpochTold | None
    clearance_m: float | None
    at_least: bool
    """The clearance is no less than told, and the ring is not told."""
    nearest: str
    bound: BoundTold | None
    room_m: float | None
    """Clearance less bound."""
    trust: str
    """`unknown`, `trusted` or `doubted`."""
    reach_m: float | None
    """Radius of the place where the mower can be, as reckoned."""


@dataclass(frozen=True, slots=True)
class Start:
    """A run begins: with what it decides."""

    kind: ClassVar[str] = "start"
    run: str
    """Names the run, in the recording as well."""
    version: str
    mode: str
    """`run` or `replay`."""
    source: str
    settings_file: str
    settings_hash: str
    """Of the settings that decide."""
    setup_hash: str
    """Of all the others: port, pins, paths."""
    fence_file: str
    fence_hash: str
    settings: Plain
    rung: str
    set_aside: Plain | None
    """A torn end of the journal that was set aside: file and bytes."""
    interventions: int
    """Number of the last intervention so far."""


@dataclass(frozen=True, slots=True)
class Changed:
    """The rung changed. An intervention begins where it leaves `full` and ends where it returns."""

    kind: ClassVar[str] = "rung"
    was: str
    rung: str
    why: str
    """`demand`, `clear` or `reset`."""
    clear_s: float | None
    """On the way up: how long the demands had stayed away."""
    findings: tuple[FindingTold, ...]
    intervention: int | None
    """Number of the intervention that it belongs to; None before `full` was first reached."""
    where: Where
    settings_hash: str
    fence_hash: str


@dataclass(frozen=True, slots=True)
class Sensed:
    """An input changed: what all of them are from now on."""

    kind: ClassVar[str] = "inputs"
    held: dict[str, bool]


@dataclass(frozen=True, slots=True)
class Tells:
    """What the receiver has been found to tell; it is expected from then on."""

    kind: ClassVar[str] = "tells"
    period_s: float | None
    """From one epoch to the next."""
    fields: tuple[str, ...]
    digit_m: float | None
    """How far apart two positions are that differ in their last digit."""


@dataclass(frozen=True, slots=True)
class Acted:
    """What one monitor that only watches would have done since the last record of it."""

    monitor: str
    times: int
    """How often it would have begun to act."""
    from_rungs: dict[str, int]
    """From which rung, and how often from each."""
    rung: str
    """The lowest rung that it would have demanded."""
    acting_s: float
    worst: FindingTold
    first_utc: str | None
    """When it first would have begun to act."""
    last_utc: str | None


@dataclass(frozen=True, slots=True)
class Watched:
    """What monitors that only watch would have done, added up since the last such record."""

    kind: ClassVar[str] = "watched"
    rung: str
    acted: tuple[Acted, ...]
    where: Where


@dataclass(frozen=True, slots=True)
class Totals:
    """The account of a run so far."""

    rung: str
    epochs: int
    sentences: int
    rejected: dict[str, int]
    time_in_rung_s: dict[str, float]
    held_s: dict[str, float]
    """For how long each monitor, or wait, kept it below `full`, by name."""
    interventions: int
    """Number of the last intervention so far."""
    decisions: int
    digest: str
    """CRC-32 over every decision so far, as 8 hexadecimal digits."""


@dataclass(frozen=True, slots=True)
class Summary(Totals):
    """Told every while."""

    kind: ClassVar[str] = "summary"


@dataclass(frozen=True, slots=True)
class Stop(Totals):
    """A run ends."""

    kind: ClassVar[str] = "stop"
    reason: str


Record = Start | Changed | Sensed | Tells | Watched | Summary | Stop
KINDS: dict[str, type[Record]] = {
    kind.kind: kind for kind in (Start, Changed, Sensed, Tells, Watched, Summary, Stop)
}


class Entry(NamedTuple):
    """A record and when it was made."""

    mono_s: float
    """On the clock that never goes back."""
    utc_s: float
    record: Record


def plain(value: Any) -> Any:
    """A record, or a part of one, as plain values."""
    if is_dataclass(value):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, tuple | list):
        return [plain(one) for one in value]
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}
    return value


def record_of(kind: object, content: Plain) -> Record:
    """The record that plain values stand for; other keys in them are passed over.

    Raises ValueError where the kind is not known, or a value is missing or not of its type.
    """
    if not isinstance(kind, str) or kind not in KINDS:
        raise ValueError(f"unknown kind {kind!r}")
    record: Record = _made(KINDS[kind], content, f"{kind} record")
    return record


_HINTS: dict[type, dict[str, Any]] = {}


def _hints(kind: type) -> dict[str, Any]:
    """The types of a dataclass's fields, by name; worked out once."""
    if kind not in _HINTS:
        hints = get_type_hints(kind)
        _HINTS[kind] = {one.name: hints[one.name] for one in fields(kind)}
    return _HINTS[kind]


def _made(kind: type[Any], content: Any, what: str) -> Any:
    if not isinstance(content, dict):
        raise ValueError(f"{what}: not a mapping")
    hints = _hints(kind)
    missing = [name for name in hints if name not in content]
    if missing:
        raise ValueError(f"{what} without {', '.join(missing)}")
    for name in NAMES_A_RUNG & hints.keys():
        if content[name] not in RUNGS:
            raise ValueError(f"{name} is {content[name]!r:.80}")
    return kind(**{name: _value(hints[name], content[name], name) for name in hints})


def _value(hint: Any, value: Any, name: str) -> Any:
    """A value of the type that a field asks for."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        if value is None and type(None) in inner:
            return None
        return _one_of(inner, value, name)
    if hint is Any:
        return value
    if is_dataclass(hint) and isinstance(hint, type):
        return _made(hint, value, name)
    if origin is tuple and isinstance(value, list | tuple):
        return tuple(_value(inner[0], one, name) for one in value)
    if origin is dict and isinstance(value, dict):
        return {key: _value(inner[1], one, name) for key, one in value.items()}
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    if origin is None and isinstance(value, hint) and isinstance(value, bool) == (hint is bool):
        return value
    raise ValueError(f"{name} is {value!r:.80}")


def _one_of(kinds: tuple[Any, ...], value: Any, name: str) -> Any:
    kinds = tuple(kind for kind in kinds if kind is not type(None))
    if len(kinds) == 1:
        return _value(kinds[0], value, name)
    for kind in kinds:
        try:
            return _value(kind, value, name)
        except ValueError:
            continue
    raise ValueError(f"{name} is {value!r:.80}")
