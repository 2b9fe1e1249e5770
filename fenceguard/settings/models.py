"""The settings as models: types, ranges, defaults, and what must not contradict what."""

import math
import re
from typing import TYPE_CHECKING, Annotated, Any, Generic, Literal, TypeVar

import shapely
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    StrictStr,
    ValidationInfo,
    create_model,
    field_validator,
    model_validator,
)

from fenceguard.judgement.bound import radius_per_sigma
from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.monitors.base import Choice, Monitor
from fenceguard.judgement.parameters import (
    BoundParameters,
    LadderParameters,
    MonitorParameters,
    MowerParameters,
    Parameters,
    Row,
    TrustParameters,
    WayOutParameters,
)
from fenceguard.judgement.types import Rung
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
Kept = Annotated[float, _number(0.0, 10.0)]
Braking = Annotated[float, _number(0.1, 20.0)]
LEAST_BRAKING_MPS2 = 0.3
DEFAULT_SIGMA_M = {"fixed": 0.02, "float": 0.5, "differential": 1.0, "pps": 1.0, "single": 3.0}
DEFAULT_LEAST_SIGMA_M = {
    "fixed": 0.01,
    "float": 0.1,
    "differential": 0.3,
    "pps": 0.3,
    "single": 0.5,
}
DEFAULT_OPTIMISM = {"fixed": 1.2, "float": 2.0, "differential": 1.5, "pps": 1.5, "single": 1.5}
DEFAULT_FLOOR_M = {"fixed": 0.01, "float": 0.1, "differential": 0.5, "pps": 0.5, "single": 1.0}

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
    tells: list[Literal["speed", "course", "heading", "sigma", "altitude", "height"]] = []

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
    drive_line: Literal["cuts_power", "told"] = "cuts_power"
    hears_s: SomeTime = 0.4
    service_mps2: Braking = 0.5
    keep_m: Kept = 0.05

    def worst(self, speeding_up_mps2: float = 0.0) -> Stopping:
        """Down the slope, on the ground that is told, else on the worse one."""
        grounds = {"dry": self.dry_mps2, "wet": self.wet_mps2}
        level_mps2 = grounds.get(self.ground, min(grounds.values()))
        return Stopping(
            self.reaction_s,
            downhill_mps2(level_mps2, self.slope_deg),
            self.blade_stop_s,
            speeding_up_mps2,
            self.drive_line == "cuts_power",
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


class TrustSettings(Model):
    """How positions are held against what speed, course and grants explain."""

    way_error: Annotated[float, _number(0.0, 0.5)] = 0.01
    anchor_m: Annotated[float, _number(0.02, 5.0)] = 0.3
    doubt_m: Annotated[float, _number(0.0, 1.0)] = 0.2
    reach_m: Annotated[float, _number(0.1, 50.0)] = 2.0
    held_s: SomeSeconds = 10.0
    fixes: Annotated[StrictInt, Field(ge=2, le=10)] = 3
    fixes_apart_s: SomeSeconds = 10.0
    without_speed: StrictBool = False


class MowerSettings(Model):
    """What the mower is."""

    outline_m: Annotated[list[tuple[Offset, Offset]], Field(min_length=3, max_length=100)]
    antenna_m: tuple[Offset, Offset]
    axle_m: tuple[Offset, Offset] | None = None
    antenna_height_m: Annotated[float, _number(0.0, 3.0)] | None = None
    course_from_mps: Annotated[float, _number(0.05, 3.0)] = 0.2
    held_s: Annotated[float, _number(0.0, 2.0)] = 0.7
    speeding_up_mps2: Annotated[float, _number(0.0, 10.0)] = 0.5
    course_error_deg: Annotated[float, _number(0.0, 45.0)] = 3.0
    course_within_deg: Annotated[float, _number(0.0, 180.0)] = 45.0
    wheel_slip: Annotated[float, _number(0.0, 0.9)] = 0.2
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


class WayOutSettings(Model):
    """How a mower may creep away where only room demands a halt."""

    mps: Annotated[float, _number(0.01, 1.0)] = 0.05
    way_m: Annotated[float, _number(0.05, 10.0)] = 1.0
    nearer_m: Annotated[float, _number(0.001, 0.5)] = 0.005
    past_m: Annotated[float, _number(0.0, 5.0)] = 0.05

    def parameters(self) -> WayOutParameters:
        """The same for the judgement."""
        return WayOutParameters(self.mps, self.way_m, self.nearer_m, self.past_m)


class BoundSettings(Model):
    """How the radius around the position is computed."""

    probability: Annotated[float, _number(0.5, 0.9999999)] = 0.9999
    sigma_m: dict[Solution, Annotated[float, _number(0.001, 1000.0)]] = {}
    least_sigma_m: dict[Solution, Annotated[float, _number(0.001, 100.0)]] = {}
    optimism: dict[Solution, Annotated[float, _number(1.0, 10.0)]] = {}
    floor_m: dict[Solution, Annotated[float, _number(0.0, 10.0)]] = {}
    age_fresh_s: Annotated[float, _number(0.0, 60.0)] = 1.0
    age_rate_mps: Annotated[float, _number(0.0, 0.1)] = 0.0017

    @field_validator("sigma_m", "least_sigma_m", "optimism", "floor_m", mode="before")
    @classmethod
    def _with_defaults(cls, given: Any, info: ValidationInfo) -> Any:
        defaults = BOUND_DEFAULTS[str(info.field_name)]
        return {**defaults, **given} if isinstance(given, dict) else given

    def parameters(self) -> BoundParameters:
        """The same for the judgement."""
        return BoundParameters(
            probability=self.probability,
            sigma_m=dict(self.sigma_m.items()),
            least_sigma_m=dict(self.least_sigma_m.items()),
            optimism=dict(self.optimism.items()),
            floor_m=dict(self.floor_m.items()),
            age_fresh_s=self.age_fresh_s,
            age_rate_mps=self.age_rate_mps,
        )


BOUND_DEFAULTS = {
    "sigma_m": DEFAULT_SIGMA_M,
    "least_sigma_m": DEFAULT_LEAST_SIGMA_M,
    "optimism": DEFAULT_OPTIMISM,
    "floor_m": DEFAULT_FLOOR_M,
}


class Limit(Model):
    """One limit, and how long it must be exceeded before it counts."""

    limit: float | str
    for_s: Annotated[float, _number(0.0, 60.0)] = 0.0


L = TypeVar("L", bound=Limit)


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


class AnyLimits(Model):
    """Every limit of every monitor: what can be asked of them. `Limits` has the keys as well."""

    @model_validator(mode="before")
    @classmethod
    def _with_defaults(cls, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        merged = dict(given)
        for monitor in MONITORS:
            own = given.get(monitor.name, {})
            if isinstance(own, dict):
                merged[monitor.name] = {**_defaults(monitor), **own}
        return merged

    @field_validator("*")
    @classmethod
    def _indispensable(cls, limits: RungLimits[Any], info: ValidationInfo) -> RungLimits[Any]:
        if not any(one.indispensable for one in MONITORS if one.name == info.field_name):
            return limits
        if limits.halted is None:
            raise ValueError("halted may not be never: without it the mower is not supervised")
        if limits.watch_only:
            raise ValueError("watch_only must be false: without it the mower is not supervised")
        return limits

    def at(self, monitor: str, rung: str) -> Limit | None:
        """The limit at `limits.<monitor>.<rung>`, None where there is none."""
        limit: Limit | None = getattr(getattr(self, monitor), rung)
        return limit

    def watch_only(self, monitor: str) -> bool:
        """Whether a monitor's findings are only written down."""
        only: bool = getattr(self, monitor).watch_only
        return only

    def acts(self, monitor: str) -> bool:
        """Whether a monitor can demand anything: it has a limit, and does not only watch."""
        return not self.watch_only(monitor) and bool(self._rows(monitor))

    def parameters(self) -> dict[str, MonitorParameters]:
        """Limits, by monitor, for the judgement."""
        return {
            monitor.name: MonitorParameters(
                self._rows(monitor.name), not self.watch_only(monitor.name)
            )
            for monitor in MONITORS
        }

    def _rows(self, monitor: str) -> tuple[Row, ...]:
        return tuple(
            Row(rung, limit.limit, limit.for_s)
            for rung in Rung
            if rung is not Rung.FULL and (limit := self.at(monitor, rung.word)) is not None
        )


def _defaults(monitor: Monitor) -> dict[str, Any]:
    return {
        default.rung.word: {"limit": default.limit, "for_s": default.for_s}
        for default in monitor.defaults
    }


def _limits_of(monitor: Monitor) -> Any:
    """The model of one monitor's limits."""
    takes = monitor.takes
    kind: Any
    if isinstance(takes, Choice):
        kind = Literal[takes.words]
    else:
        kind = Annotated[float, _number(takes.least, takes.most)]
    return RungLimits.__class_getitem__(create_model("Limit", __base__=Limit, limit=(kind, ...)))


if TYPE_CHECKING:
    Limits = AnyLimits
else:
    Limits = create_model(
        "Limits",
        __base__=AnyLimits,
        **{monitor.name: (_limits_of(monitor), ...) for monitor in MONITORS},
    )


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

    def by_rung(self) -> dict[Rung, float]:
        """The times, by the rung that they are for."""
        return {
            Rung.SLOWED: self.slowed,
            Rung.BLADE_OFF: self.blade_off,
            Rung.HALTED: self.halted,
        }


class ClearRoomSettings(ClearSettings):
    """The same, where nothing but want of room was demanded since `full`."""

    slowed: SomeSeconds = 1.0
    blade_off: SomeSeconds = 2.0
    halted: SomeSeconds = 3.0


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
    def _holds_two_files(self) -> "JournalSettings":
        if self.keep_mib < 2.0 * self.file_mib:
            raise ValueError("keep_mib is less than two files of file_mib; raise it or lower that")
        return self


class RecordingSettings(Model):
    """What arrived, kept so that it can be run again."""

    directory: StrictStr
    cap_gib: Annotated[float, _number(0.01, 1024.0)] = 2.0
    file_mib: Annotated[float, _number(1.0, 1024.0)] = 16.0

    @model_validator(mode="after")
    def _holds_two_files(self) -> "RecordingSettings":
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
    way_out: WayOutSettings = WayOutSettings()
    limits: Limits = Field(default_factory=lambda: Limits.model_validate({}))
    bound: BoundSettings = BoundSettings()
    trust: TrustSettings = TrustSettings()
    clear_s: ClearSettings = ClearSettings()
    clear_room_s: ClearRoomSettings = ClearRoomSettings()
    blade_delay_s: Seconds = 3.0
    tick_s: Annotated[float, _number(0.02, 0.5)] = 0.1
    grant_valid_s: Annotated[float, _number(0.1, 2.0)] = 0.5

    def parameters(self) -> Parameters:
        """What the judgement must be told.

        What a monitor that does not act would have believed no more is believed; and the told
        speed heeds the way ahead by what acts of it.
        """
        mower, acts = self.mower, self.limits.acts
        stopping = mower.stopping
        return Parameters(
            mower=MowerParameters(
                outline_m=tuple(mower.outline_m),
                antenna_m=mower.antenna_m,
                axle_m=mower.antenna_m if mower.axle_m is None else mower.axle_m,
                antenna_height_m=mower.antenna_height_m,
                slope_deg=mower.stopping.slope_deg,
                full_mps=mower.full_mps,
                slowed_mps=mower.slowed_mps,
                speeding_up_mps2=mower.speeding_up_mps2,
                held_s=mower.held_s,
                course_from_mps=mower.course_from_mps,
                course_error_deg=mower.course_error_deg,
                course_within_deg=mower.course_within_deg if acts("course") else math.inf,
                wheel_slip=mower.wheel_slip,
                stopping=stopping.worst(mower.speeding_up_mps2),
                hears_s=stopping.hears_s,
                service_mps2=stopping.service_mps2,
                keep_m=stopping.keep_m,
                told_before_s=self.told_before_s(),
                halted_before_s=self._before_s(["stopping"], Rung.HALTED),
            ),
            bound=self.bound.parameters(),
            trust=TrustParameters(
                **dict(self.trust),
                top_mps=mower.full_mps,
                speeding_up_mps2=mower.speeding_up_mps2,
                hardest_mps2=max(mower.stopping.dry_mps2, mower.stopping.wet_mps2),
                braking_mps2=mower.stopping.worst().deceleration_mps2,
                reaction_s=mower.stopping.reaction_s,
                slope_deg=mower.stopping.slope_deg,
            ),
            declared=tuple(self.receiver.tells),
            ladder=LadderParameters(
                start=Rung[self.start.upper()],
                clear_s=self.clear_s.by_rung(),
                clear_room_s=self.clear_room_s.by_rung(),
                blade_delay_s=self.blade_delay_s,
                grant_valid_s=self.grant_valid_s,
                full_mps=mower.full_mps,
                slowed_mps=mower.slowed_mps,
            ),
            way_out=self.way_out.parameters(),
            armed_after_s=self.arm.fixed_for_s,
            monitors=self.limits.parameters(),
        )

    def told_before_s(self) -> float | None:
        """How long before the first demand of the way ahead the told speed has come down to it."""
        names = ["approach", "stopping"]
        if self.mower.stopping.drive_line == "told":
            names.append("blade_stop")
        return self._before_s(names, Rung.SLOWED)

    def _before_s(self, names: list[str], first: Rung) -> float | None:
        """The greatest limit that acts, of some monitors for a rung or one below it."""
        limits_s = [
            float(limit.limit)
            for name in names
            if self.limits.acts(name)
            for rung in list(Rung)[first:]
            if (limit := self.limits.at(name, rung.word)) is not None
        ]
        return max(limits_s, default=None)

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
