"""Settings: a YAML file, read strictly. Whatever is wrong is named with file, line and key."""

import difflib
import hashlib
import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any, Generic, Literal, NamedTuple, TypeVar, get_args

import shapely
import yaml
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    StrictStr,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from fenceguard.errors import BadInput
from fenceguard.judgement.bound import radius_per_sigma
from fenceguard.lawn import geojson
from fenceguard.lawn.fence import Fence
from fenceguard.mower.stopping import Stopping, downhill_mps2
from fenceguard.receiver.framing import Sentence
from fenceguard.receiver.sentences import AccuracySentence, wanted

LEAST_OUTLINE_M2 = 0.01
NEVER = "never"
"""Stands for a limit that a user has taken out."""


class Model(BaseModel):
    """Base of all settings: nothing unknown is accepted, nothing changes afterwards."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)


def _number(ge: float, le: float) -> Any:
    return Field(strict=True, ge=ge, le=le, allow_inf_nan=False)


Seconds = Annotated[float, _number(0.0, 3600.0)]
SomeSeconds = Annotated[float, _number(0.1, 3600.0)]
Offset = Annotated[float, _number(-5.0, 5.0)]
Speed = Annotated[float, _number(0.0, 3.0)]
Pin = Annotated[int, Field(strict=True, ge=0, le=53)]
SomeTime = Annotated[float, _number(0.01, 10.0)]
Braking = Annotated[float, _number(0.1, 20.0)]
LEAST_BRAKING_MPS2 = 0.3
DEFAULT_SIGMA_M = {"fixed": 0.02, "float": 0.5, "differential": 1.0, "pps": 1.0, "single": 3.0}
DEFAULT_OPTIMISM = {"fixed": 1.2, "float": 2.0, "differential": 1.5, "pps": 1.5, "single": 1.5}
DEFAULT_FLOOR_M = {"fixed": 0.01, "float": 0.1, "differential": 0.5, "pps": 0.5, "single": 1.0}

DEFAULT_LIMITS: dict[str, dict[str, float | str | dict[str, float]]] = {
    "silence": {"slowed": 0.5, "blade_off": 1.0, "halted": 1.5},
    "frozen": {"blade_off": 0.5, "halted": 1.0},
    "late": {"slowed": 0.3, "blade_off": 0.6, "halted": 1.2},
    "solution": {"blade_off": "fixed", "halted": "float"},
    "correction_age": {"slowed": 10.0, "blade_off": 20.0, "halted": 60.0},
    "satellites": {"slowed": 8, "blade_off": 6, "halted": 5},
    "hdop": {"slowed": 2.0, "blade_off": 4.0, "halted": 8.0},
    "bound": {"slowed": 0.15, "blade_off": 0.3, "halted": 2.5},
    "station": {"halted": "accepted"},
    "refix": {"blade_off": 0.0, "halted": 0.2},
    "jump": {"blade_off": 0.0, "halted": 0.3},
    "drift": {"slowed": 0.12, "blade_off": 0.2, "halted": 0.5},
    "height": {"slowed": 0.1, "blade_off": 0.2, "halted": 1.0},
    "course": {"slowed": 45.0},
    "room": {"slowed": {"limit": -0.01, "for_s": 0.5}, "blade_off": -0.03, "halted": -0.06},
    "stopping": {"slowed": 0.15, "blade_off": 0.05, "halted": 0.0},
    "blade_stop": {"slowed": 0.05, "blade_off": 0.0},
}
"""For a mower at 0.5 m/s; config/settings.yaml gives the reason for each."""

Solution = Literal["fixed", "float", "differential", "pps", "single"]


ACCURACY_HEADER = re.compile(r"[A-Z][A-Z0-9]{1,9}(,[0-9A-Za-z]{1,9})?")
METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001}
RADIUS_PER_SIGMA = {
    "sigma_axis": 1.0,
    "p68": radius_per_sigma(0.68),
    "p95": radius_per_sigma(0.95),
}
"""For what an accuracy can mean: how many σ of one axis it is."""


class AccuracySettings(Model):
    """The receiver's own accuracy sentence: which field of it tells what."""

    header: StrictStr
    field: Annotated[StrictInt, Field(ge=1, le=99)]
    unit: Literal["m", "cm", "mm"]
    means: Literal["sigma_axis", "p68", "p95"]

    @field_validator("header")
    @classmethod
    def _not_read_already(cls, header: str) -> str:
        if not ACCURACY_HEADER.fullmatch(header):
            raise ValueError(
                f"is {header!r}; it must be the address of a sentence without the $, such as "
                "PXYZA, or with its first field where that tells the type, such as PXYZ,03"
            )
        if wanted(Sentence(f"{header},", None)):
            raise ValueError(
                f"{header} is read as it is; leave out accuracy, or name a sentence of the "
                "receiver's own"
            )
        return header

    @model_validator(mode="after")
    def _a_field_of_its_own(self) -> "AccuracySettings":
        if self.field <= self.header.count(","):
            raise ValueError(f"field {self.field} is in the header {self.header}; name another")
        return self

    def sentence(self) -> AccuracySentence:
        """The sentence, with σ for what is told; for a radius the error is taken to be circular."""
        scale = METRES[self.unit] / RADIUS_PER_SIGMA[self.means]
        return AccuracySentence(self.header, self.field, scale)


class ReceiverSettings(Model):
    """Where the receiver is plugged in and how it talks."""

    port: StrictStr | None = None
    baud: Annotated[StrictInt, Field(ge=1200, le=4_000_000)] = 115200
    epoch_wait_s: Annotated[float, _number(0.01, 2.0)] = 0.12
    accuracy: AccuracySettings | None = None

    def accuracy_sentence(self) -> AccuracySentence | None:
        """The receiver's own accuracy sentence, None where there is none."""
        return None if self.accuracy is None else self.accuracy.sentence()


class StoppingSettings(Model):
    """How the mower and its blade come to rest."""

    reaction_s: SomeTime = 0.3
    dry_mps2: Braking = 2.5
    wet_mps2: Braking = 1.5
    ground: Literal["dry", "wet", "either"] = "either"
    slope_deg: Annotated[float, _number(0.0, 45.0)] = 5.0
    blade_stop_s: Annotated[float, _number(0.0, 10.0)] = 1.0

    def worst(self) -> Stopping:
        """Down the slope, on the ground that is told, else on the worse one."""
        grounds = {"dry": self.dry_mps2, "wet": self.wet_mps2}
        level_mps2 = grounds.get(self.ground, min(grounds.values()))
        return Stopping(
            self.reaction_s, downhill_mps2(level_mps2, self.slope_deg), self.blade_stop_s
        )

    @model_validator(mode="after")
    def _holds_on_the_slope(self) -> "StoppingSettings":
        left_mps2 = self.worst().deceleration_mps2
        if left_mps2 < LEAST_BRAKING_MPS2:
            raise ValueError(
                f"down a slope of {self.slope_deg:g} degrees {left_mps2:.2f} m/s² of the braking "
                f"are left; less than {LEAST_BRAKING_MPS2} m/s² cannot hold a mower: leave such "
                "slopes outside the fence"
            )
        return self


class TrackSettings(Model):
    """How long positions and speed are compared; the error of the speed, as a share of the way."""

    window_s: Annotated[float, _number(1.0, 120.0)] = 20.0
    way_error: Annotated[float, _number(0.0, 0.5)] = 0.02


class MowerSettings(Model):
    """What the mower is."""

    outline_m: Annotated[list[tuple[Offset, Offset]], Field(min_length=3, max_length=100)]
    antenna_m: tuple[Offset, Offset]
    antenna_height_m: Annotated[float, _number(0.0, 3.0)] | None = None
    course_from_mps: Annotated[float, _number(0.05, 3.0)] = 0.2
    held_s: Annotated[float, _number(0.0, 2.0)] = 0.7
    speeding_up_mps2: Annotated[float, _number(0.0, 10.0)] = 0.5
    course_error_deg: Annotated[float, _number(0.0, 45.0)] = 3.0
    stopping: StoppingSettings = StoppingSettings()
    full_mps: Speed = 0.5
    slowed_mps: Speed = 0.25

    @field_validator("outline_m")
    @classmethod
    def _closed_and_simple(cls, outline: list[tuple[float, float]]) -> list[tuple[float, float]]:
        shape = shapely.Polygon(outline)
        if shape.convex_hull.area < LEAST_OUTLINE_M2:
            raise ValueError(
                f"the outline encloses less than {LEAST_OUTLINE_M2} m², and no mower is so small; "
                "give its corners in m, all round"
            )
        if not shape.is_valid:
            raise ValueError("the outline crosses itself; list the corners in order, all round")
        return outline

    @model_validator(mode="after")
    def _slower_when_slowed(self) -> "MowerSettings":
        if self.slowed_mps > self.full_mps:
            raise ValueError("slowed_mps is more than full_mps; slowed must not be faster")
        return self


class BoundSettings(Model):
    """How the radius around the position is computed."""

    probability: Annotated[float, _number(0.5, 0.9999999)] = 0.9999
    sigma_m: dict[Solution, Annotated[float, _number(0.001, 1000.0)]] = {}
    optimism: dict[Solution, Annotated[float, _number(1.0, 10.0)]] = {}
    floor_m: dict[Solution, Annotated[float, _number(0.0, 10.0)]] = {}
    age_fresh_s: Annotated[float, _number(0.0, 60.0)] = 1.0
    age_rate_mps: Annotated[float, _number(0.0, 0.1)] = 0.0017

    @field_validator("sigma_m", "optimism", "floor_m", mode="before")
    @classmethod
    def _with_defaults(cls, given: Any, info: ValidationInfo) -> Any:
        defaults = BOUND_DEFAULTS[str(info.field_name)]
        return {**defaults, **given} if isinstance(given, dict) else given

    def default_sigma_m(self, quality: str) -> float | None:
        """Standard deviation to assume for a quality, None where none is to be believed."""
        return _by_name(self.sigma_m, quality)

    def optimism_of(self, quality: str) -> float | None:
        """By how much a receiver's own error estimate is too small."""
        return _by_name(self.optimism, quality)

    def floor_of_m(self, quality: str) -> float | None:
        """What the bound never falls below."""
        return _by_name(self.floor_m, quality)


def _by_name(values: dict[Solution, float], quality: str) -> float | None:
    return next((value for name, value in values.items() if name == quality), None)


BOUND_DEFAULTS = {
    "sigma_m": DEFAULT_SIGMA_M,
    "optimism": DEFAULT_OPTIMISM,
    "floor_m": DEFAULT_FLOOR_M,
}


class _Limit(Model):
    for_s: Annotated[float, _number(0.0, 60.0)] = 0.0


class TimeLimit(_Limit):
    """A limit in seconds."""

    limit: Annotated[float, _number(0.0, 600.0)]


class LengthLimit(_Limit):
    """A limit in metres."""

    limit: Annotated[float, _number(0.0, 1000.0)]


class RoomLimit(_Limit):
    """A limit in metres that may be negative: past the fence."""

    limit: Annotated[float, _number(-100.0, 100.0)]


class CountLimit(_Limit):
    """A limit without a unit."""

    limit: Annotated[float, _number(0.0, 100.0)]


class AngleLimit(_Limit):
    """A limit in degrees."""

    limit: Annotated[float, _number(0.0, 180.0)]


class StationLimit(_Limit):
    """Whether the reference station must be one of those of the survey."""

    limit: Literal["accepted"]


class SolutionLimit(_Limit):
    """The poorest solution that is good enough."""

    limit: Solution


AnyLimit = (
    TimeLimit | LengthLimit | RoomLimit | CountLimit | AngleLimit | StationLimit | SolutionLimit
)
L = TypeVar("L", bound=_Limit)


class RungLimits(Model, Generic[L]):
    """The limits of one monitor: past which value it demands which rung."""

    slowed: L | None = None
    blade_off: L | None = None
    halted: L | None = None
    locked: L | None = None
    watch_only: StrictBool = False
    """Whether what would be demanded is only written down."""

    @field_validator("slowed", "blade_off", "halted", "locked", mode="before")
    @classmethod
    def _short_form(cls, given: Any) -> Any:
        if given is None or given == NEVER:
            return None
        return given if isinstance(given, dict | BaseModel) else {"limit": given}


class Limits(Model):
    """Every limit of every monitor."""

    silence: RungLimits[TimeLimit]
    frozen: RungLimits[TimeLimit]
    solution: RungLimits[SolutionLimit]
    correction_age: RungLimits[TimeLimit]
    satellites: RungLimits[CountLimit]
    hdop: RungLimits[CountLimit]
    bound: RungLimits[LengthLimit]
    late: RungLimits[TimeLimit]
    station: RungLimits[StationLimit]
    refix: RungLimits[LengthLimit]
    jump: RungLimits[LengthLimit]
    drift: RungLimits[LengthLimit]
    height: RungLimits[LengthLimit]
    course: RungLimits[AngleLimit]
    room: RungLimits[RoomLimit]
    stopping: RungLimits[RoomLimit]
    blade_stop: RungLimits[RoomLimit]

    @model_validator(mode="before")
    @classmethod
    def _with_defaults(cls, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        merged = dict(given)
        for monitor, defaults in DEFAULT_LIMITS.items():
            own = given.get(monitor, {})
            merged[monitor] = {**defaults, **own} if isinstance(own, dict) else own
        return merged

    @field_validator("silence", "solution", "room")
    @classmethod
    def _indispensable(cls, limits: RungLimits[Any]) -> RungLimits[Any]:
        if limits.halted is None:
            raise ValueError("halted may not be never: without it the mower is not supervised")
        if limits.watch_only:
            raise ValueError("watch_only must be false: without it the mower is not supervised")
        return limits

    def at(self, monitor: str, rung: str) -> AnyLimit | None:
        """The limit at `limits.<monitor>.<rung>`, None where there is none."""
        limit: AnyLimit | None = getattr(getattr(self, monitor), rung)
        return limit

    def watch_only(self, monitor: str) -> bool:
        """Whether a monitor's findings are only written down."""
        only: bool = getattr(self, monitor).watch_only
        return only


class ClearSettings(Model):
    """How long the demands for a rung must stay away before it is left."""

    slowed: SomeSeconds = 2.0
    blade_off: SomeSeconds = 5.0
    halted: SomeSeconds = 10.0

    @model_validator(mode="after")
    def _longer_further_down(self) -> "ClearSettings":
        if not self.slowed <= self.blade_off <= self.halted:
            raise ValueError("a lower rung needs the longer time: slowed, blade_off, halted")
        return self


class ArmSettings(Model):
    """What must hold before the mower may leave `halted` after a start or a reset."""

    fixed_for_s: SomeSeconds = 10.0


class LineSettings(Model):
    """One output line: its pin, in BCM numbers, and the level that means on."""

    pin: Pin
    active_high: StrictBool = True


class OutputSettings(Model):
    """The output lines; `warning` may be left out."""

    drive_enable: LineSettings
    blade_enable: LineSettings
    slow: LineSettings
    heartbeat: LineSettings
    warning: LineSettings | None = None

    def lines(self) -> dict[str, LineSettings]:
        """The lines that are wired, by name."""
        return {name: line for name, line in self if line is not None}

    @model_validator(mode="after")
    def _each_its_own_pin(self) -> "OutputSettings":
        pins = [line.pin for line in self.lines().values()]
        if len(set(pins)) < len(pins):
            raise ValueError("two lines share a pin; give each its own")
        return self


class InputSettings(Model):
    """What people press at the machine."""

    reset_pin: Pin
    """A button from this pin to ground; the pin is pulled up."""


class JournalSettings(Model):
    """The record of what was taken away and why."""

    directory: StrictStr
    summary_s: Annotated[float, _number(1.0, 86400.0)] = 60.0
    file_mib: Annotated[float, _number(1.0, 1024.0)] = 16.0
    keep_mib: Annotated[float, _number(2.0, 1048576.0)] = 512.0
    keep_days: Annotated[float, _number(1.0, 36500.0)] = 400.0

    @model_validator(mode="after")
    def _room_for_two_files(self) -> "JournalSettings":
        if self.keep_mib < 2.0 * self.file_mib:
            raise ValueError("keep_mib is less than two files of file_mib; raise it or lower that")
        return self


class RecordingSettings(Model):
    """What arrived, kept so that it can be run again."""

    directory: StrictStr
    cap_gib: Annotated[float, _number(0.01, 1024.0)] = 2.0
    file_mib: Annotated[float, _number(1.0, 1024.0)] = 16.0

    @model_validator(mode="after")
    def _room_for_two_files(self) -> "RecordingSettings":
        if self.cap_gib * 1024.0 < 2.0 * self.file_mib:
            raise ValueError("cap_gib is less than two files of file_mib; raise it or lower that")
        return self


class Settings(Model):
    """All settings of one mower on one lawn."""

    fence: StrictStr
    mower: MowerSettings
    outputs: OutputSettings | None
    receiver: ReceiverSettings = ReceiverSettings()
    inputs: InputSettings | None = None
    journal: JournalSettings | None = None
    recording: RecordingSettings | None = None
    start: Literal["halted", "locked"] = "halted"
    arm: ArmSettings = ArmSettings()
    limits: Limits = Field(default_factory=lambda: Limits.model_validate({}))
    bound: BoundSettings = BoundSettings()
    track: TrackSettings = TrackSettings()
    clear_s: ClearSettings = ClearSettings()
    blade_delay_s: Seconds = 3.0
    tick_s: Annotated[float, _number(0.02, 0.5)] = 0.1
    grant_valid_s: Annotated[float, _number(0.1, 2.0)] = 0.5

    @model_validator(mode="after")
    def _grants_outlast_a_tick(self) -> "Settings":
        if self.grant_valid_s < self.tick_s:
            raise ValueError("grant_valid_s is less than tick_s; each grant would run out too soon")
        return self

    @model_validator(mode="after")
    def _reset_has_its_own_pin(self) -> "Settings":
        lines = self.outputs.lines() if self.outputs else {}
        for name, line in lines.items():
            if self.inputs is not None and line.pin == self.inputs.reset_pin:
                raise ValueError(f"inputs.reset_pin is also the pin of outputs.{name}; change one")
        return self

    @field_validator("outputs", "recording", mode="before")
    @classmethod
    def _none(cls, given: Any) -> Any:
        return None if given == "none" else given


class Loaded(NamedTuple):
    """Settings and fence, checked, with what identifies them in the journal."""

    settings: Settings
    settings_file: Path
    settings_hash: str
    fence: Fence
    fence_file: Path
    fence_hash: str

    def path(self, given: str) -> Path:
        """A path from the settings, which is relative to the settings file."""
        return self.settings_file.parent / given


def load(file: Path, overrides: Sequence[str] = ()) -> Loaded:
    """The settings in a file and the fence that they name.

    `overrides` are texts of the form `limits.silence.halted=2.5`. Raises BadInput with one line
    for each fault in either file.
    """
    text = _read(file)
    places = _Places(file, text)
    tree = places.tree()
    faults = list(places.empty())
    for override in overrides:
        faults += places.override(tree, override)
    settings = None
    try:
        settings = Settings.model_validate(tree)
    except ValidationError as error:
        faults += places.described(error)
    fence = None
    named = tree.get("fence")
    if isinstance(named, str):
        try:
            fence = geojson.read(file.parent / named)
        except BadInput as error:
            faults.append(str(error))
    if faults or settings is None or fence is None:
        raise BadInput("\n".join(faults))
    fence_file = file.parent / settings.fence
    canonical = json.dumps(settings.model_dump(mode="json"), sort_keys=True)
    return Loaded(
        settings, file, _hash(canonical.encode()), fence, fence_file, _hash(fence_file.read_bytes())
    )


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except OSError as error:
        raise BadInput(f"{file}: the settings cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise BadInput(f"{file}: not a text file in UTF-8: {error.reason}") from error


Key = tuple[str | int, ...]


class _Places:
    """Where each key stands, so that a fault can be named by file, line and key."""

    def __init__(self, file: Path, text: str) -> None:
        self._file = file
        self._overridden: dict[Key, str] = {}
        try:
            self._root = yaml.compose(text, yaml.SafeLoader)
            self._tree = yaml.safe_load(text)
        except RecursionError as error:
            raise BadInput(f"{file}: not YAML that can be read: nested too deeply") from error
        except (yaml.YAMLError, ValueError) as error:
            mark = getattr(error, "problem_mark", None)
            line = f":{mark.line + 1}" if mark else ""
            problem = getattr(error, "problem", None) or str(error).splitlines()[0]
            raise BadInput(f"{file}{line}: not YAML: {problem}") from error

    def tree(self) -> dict[str, Any]:
        """The settings as plain values. Raises BadInput where they are not a mapping."""
        if self._tree is None:
            raise BadInput(f"{self._file}: the file is empty; start from config/settings.yaml")
        if not isinstance(self._tree, dict):
            raise BadInput(f"{self._file}: not a mapping of keys to values")
        return self._tree

    def empty(self) -> Iterator[str]:
        """Faults that the values alone no longer show: keys without a value, keys given twice."""
        return self._empty((), self._root)

    def _empty(
        self, key: Key, node: yaml.Node | None, around: tuple[yaml.Node, ...] = ()
    ) -> Iterator[str]:
        if any(node is outer for outer in around):
            raise BadInput(f"{self.place(key)}: refers to itself; write the value out")
        if node is not None:
            around = (*around, node)
        if isinstance(node, yaml.MappingNode):
            seen = set()
            for name, value in node.value:
                inner = (*key, name.value)
                if name.value in seen:
                    line = name.start_mark.line + 1
                    yield f"{self._file}:{line}: {_dotted(inner)}: given twice; keep one"
                seen.add(name.value)
                yield from self._empty(inner, value, around)
        elif isinstance(node, yaml.SequenceNode):
            for index, value in enumerate(node.value):
                yield from self._empty((*key, index), value, around)
        elif node is not None and node.tag == "tag:yaml.org,2002:null":
            yield f"{self.place(key)}: empty; give it a value, or leave out the key"

    def override(self, tree: dict[str, Any], text: str) -> list[str]:
        """Set one key of the tree; returns the faults of doing so."""
        dotted, equals, value = text.partition("=")
        key = tuple(dotted.strip().split("."))
        if not equals or not all(key):
            return [f"--set {text}: not KEY=VALUE, such as limits.silence.halted=2.5"]
        try:
            parsed = value if value == "-" else yaml.safe_load(value)
        except (yaml.YAMLError, ValueError, RecursionError):
            return [f"--set {text[:80]}: the value cannot be read"]
        if _has_empty(parsed):
            return [f"--set {text}: empty; give it a value"]
        branch = tree
        for name in key[:-1]:
            inner = branch.get(name)
            if isinstance(inner, list):
                return [f"--set {text}: {name} is a list; give the whole list"]
            if not isinstance(inner, dict):
                inner = branch[name] = {}
            branch = inner
        branch[key[-1]] = parsed
        self._overridden[key] = text
        return []

    def place(self, key: Key) -> str:
        """File, line and key; for what came from the command line, its text and key."""
        for overridden, text in self._overridden.items():
            if key[: len(overridden)] == overridden:
                return f"--set {text}: {_dotted(key)}"
        node = self._root
        line = 1
        for name in key:
            found = _child(node, name)
            if found is None:
                return self._missing_place(key, line)
            line, node = found
        return f"{self._file}:{line}: {_dotted(key)}"

    def _missing_place(self, key: Key, line: int) -> str:
        """The place of a key that is not in the file: the override that made it, if one did."""
        for overridden, text in self._overridden.items():
            if overridden[: len(key)] == key:
                return f"--set {text}: {_dotted(key)}"
        return f"{self._file}:{line}: {_dotted(key)}"

    def described(self, error: ValidationError) -> Iterator[str]:
        """One line for each fault that the validation found."""
        for detail in error.errors():
            key = tuple(name for name in detail["loc"] if name != "[key]")
            if detail["input"] is None and detail["type"] != "missing":
                continue
            place = self.place(key) if key else str(self._file)
            yield f"{place}: {_said(key, dict(detail))}"


def _child(node: yaml.Node | None, name: str | int) -> tuple[int, yaml.Node] | None:
    """Line and node of one key of a mapping, or of one item of a list."""
    if isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            if key.value == str(name):
                return key.start_mark.line + 1, value
    if isinstance(node, yaml.SequenceNode) and isinstance(name, int) and name < len(node.value):
        item = node.value[name]
        return item.start_mark.line + 1, item
    return None


def _has_empty(value: Any) -> bool:
    if isinstance(value, dict):
        return any(map(_has_empty, value.values()))
    if isinstance(value, list):
        return any(map(_has_empty, value))
    return value is None


def _dotted(key: Key) -> str:
    return ".".join(map(str, key))


def _said(key: Key, detail: dict[str, Any]) -> str:
    """One validation fault in our words."""
    kind, given = detail["type"], detail["input"]
    if kind == "missing":
        return "missing; it has no default, so give it a value"
    if kind == "extra_forbidden":
        return "unknown key" + _near_miss(str(key[-1]), _names_at(key[:-1]))
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", detail["ctx"]["expected"])
        return f"is {given!r}; it must be one of {', '.join(choices)}" + _near_miss(
            str(given), choices
        )
    context = detail.get("ctx", {})
    bounds = [
        f"{word} {context[name]:.10g}" for name, word in BOUND_WORDS.items() if name in context
    ]
    if bounds:
        return f"is {given}; it must be {' and '.join(bounds)}"
    if kind == "value_error":
        return str(context["error"])
    if kind in TYPE_WORDS:
        return f"is {given!r}; it must be {TYPE_WORDS[kind]}"
    return f"is {given!r}: {detail['msg'].lower()}"


TYPE_WORDS = {
    "float_type": "a number",
    "finite_number": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "string_type": "a text",
    "list_type": "a list",
    "tuple_type": "a list",
    "dict_type": "a mapping of keys to values",
    "model_type": "a mapping of keys to values",
    "model_attributes_type": "a mapping of keys to values",
}
BOUND_WORDS = {"ge": "at least", "le": "at most", "gt": "more than", "lt": "less than"}


def _near_miss(given: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(given, known, n=1)
    return f"; did you mean {near[0]}?" if near else ""


def _names_at(key: Key) -> list[str]:
    """The keys that may stand below a key."""
    model: type[BaseModel] | None = Settings
    for name in key:
        field = model.model_fields.get(str(name)) if model else None
        kinds = (field.annotation, *get_args(field.annotation)) if field else ()
        model = next(
            (kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)), None
        )
    return list(model.model_fields) if model else []
