"""A recorded drive whose true positions are known, and what the supervisor makes of it.

The drive is a car's. The fence lies around all of it, and the mower is as fast as a car, so nothing
is judged here but whether a position is believed.
"""

import csv
import io
import math
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import cache, partial
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pyproj

from fenceguard.judgement.supervisor import Supervisor
from fenceguard.judgement.types import Decision, Trust
from fenceguard.lawn import geojson
from fenceguard.lawn.fence import Fence
from fenceguard.receiver.epoch import FIXED, Epoch
from fenceguard.receiver.receiver import Receiver
from fenceguard.settings import Settings
from tests.bench.recorded import LOGS, METRES_PER_DEGREE, unpacked
from tests.support.lawns import OUTLINE
from tests.support.nmea import clock, date, sentence

Array = npt.NDArray[np.float64]

NAME = "drive-5hz-truth-part1"
LOG = LOGS / f"{NAME}.nmea.gz"
TRUE_PLACES = LOGS / f"{NAME}.csv.gz"

RIGHT_M = 0.3
"""A fixed position less far off is right."""
WRONG_M = 0.5
"""One farther off is wrong."""
SETTLED_S = 60.0
"""In the first minute the supervisor may still be learning."""

MOST_WRONG_BELIEVED = 0.05
"""Share of wrong fixes that may get the blade where it is given as soon as may be."""
LEAST_RIGHT_UNDOUBTED = 0.9
"""Share of right fixes, after the first minute, that must be free of doubt."""

FASTEST_MPS = 20.0
"""The car reaches 14 m/s."""
SPEEDING_UP_MPS2 = 0.5
"""As the settings have it, and much less than a car's. It is what the supervisor believes of a way
that it has not seen; with a car's the reach grows by tens of metres in a loss, so that nothing is
left to doubt, and it would be the losses that keep the blade off, not the doubt."""
HALF_SIDE_M = 700.0
"""Of the square: 300 m farther than the drive, so that the fence plays no part, yet small enough
to be accepted as a lawn."""
REFERENCE_M = 0.1
"""So far the true positions may be off themselves: they wander by it while the car stands."""
LATENCY_S = 0.06
"""From the instant of an epoch to its arrival."""
AT_ONCE: dict[str, Any] = {
    "clear_s": {"slowed": 0.2, "blade_off": 0.2, "halted": 0.2},
    "arm": {"fixed_for_s": 0.2},
    "blade_delay_s": 0.0,
}
"""Nothing is waited for, so that doubt alone keeps the blade from a wrong fix."""
USUAL: dict[str, Any] = {}
"""The default times."""

KNOT_MPS = 1852.0 / 3600.0
EPOCH_S = 0.2
NOISE_MPS = 0.03
"""Per axis, of a speed by Doppler under an open sky; as recorded here at rest (median 2 cm/s)."""
OUTLIERS = 0.02
"""Share of the speeds that are far off. Of the recorded ones 3 % are off by over 0.5 m/s."""
OUTLIER_MPS = (0.5, 5.0)
"""How far; as recorded here, where the worst is off by 4.4 m/s."""
WORST_OUTLIER_MPS = 171.0
"""One of them is off by so much: the worst that this receiver has told."""
TAKEN = 0.02
"""Share of float epochs at which a run begins that is taken for fixed."""
LONGEST_TAKEN = 10
TAKEN_SIGMA_M = (0.01, 0.1)


class Truth(NamedTuple):
    """Where the antenna really was, and how it moved."""

    utc_s: float
    lat_deg: float
    lon_deg: float
    height_m: float
    east_mps: float
    north_mps: float


class Burst(NamedTuple):
    """The sentences of one instant."""

    utc_s: float
    sentences: tuple[bytes, ...]


class Judged(NamedTuple):
    """What became of one epoch of the drive."""

    passed_s: float
    """Since the first epoch."""
    quality: int
    error_m: float
    """From the true position, in the plane."""
    bound_m: float
    """Infinite where there is none."""
    of_reach: bool
    """The bound is that of the reach, around a place of its own that is not told."""
    trust: Trust
    blade: bool
    """The blade was granted at some moment before the next epoch."""

    @property
    def right(self) -> bool:
        """Fixed, and close to the truth."""
        return self.quality == FIXED and self.error_m < RIGHT_M

    @property
    def wrong(self) -> bool:
        """Fixed, and far from the truth."""
        return self.quality == FIXED and self.error_m > WRONG_M

    @property
    def doubted(self) -> bool:
        """The position is not believed."""
        return self.trust is Trust.DOUBTED


class Counts(NamedTuple):
    """How often the supervisor was taken in, and how often it doubted for nothing."""

    wrong: int
    wrong_with_blade: int
    right: int
    """After the first minute."""
    right_doubted: int
    right_unknown: int
    """Neither trusted nor doubted."""
    right_with_blade: int

    @property
    def believed(self) -> float:
        """Share of wrong fixes that got the blade."""
        return self.wrong_with_blade / self.wrong

    @property
    def undoubted(self) -> float:
        """Share of right fixes that were free of doubt."""
        return 1.0 - self.right_doubted / self.right


# The recording


@cache
def true_places() -> tuple[Truth, ...]:
    """The true positions, one for each epoch of the recording."""
    text = io.StringIO(unpacked(TRUE_PLACES).decode())
    return tuple(
        Truth(
            datetime.fromisoformat(row["utc"].replace("Z", "+00:00")).timestamp(),
            *(float(row[k]) for k in ("lat_deg", "lon_deg", "height_m", "east_mps", "north_mps")),
        )
        for row in csv.DictReader(text)
    )


@cache
def as_recorded() -> tuple[Burst, ...]:
    """The sentences as they were recorded: a speed once a second at the most."""
    bursts: list[list[bytes]] = []
    for line in unpacked(LOG).splitlines(keepends=True):
        if line[3:6] == b"GGA":
            bursts.append([])
        bursts[-1].append(line)
    return tuple(Burst(t.utc_s, tuple(b)) for t, b in zip(true_places(), bursts, strict=True))


def told_mps() -> tuple[Array, Array]:
    """When a speed was told, as UTC, and the velocity, east and north."""
    times, velocities = [], []
    for burst in as_recorded():
        for line in burst.sentences:
            if line[3:6] == b"RMC":
                fields = line.decode().split(",")
                speed_mps, course = float(fields[7]) * KNOT_MPS, math.radians(float(fields[8]))
                times.append(burst.utc_s)
                velocities.append((speed_mps * math.sin(course), speed_mps * math.cos(course)))
    return np.array(times), np.array(velocities)


def speed_interpolated() -> tuple[Burst, ...]:
    """A speed at every epoch: between two that were recorded, what lies between them.

    Over the two long losses as well, where that is metres per second off.
    """
    times, velocities = told_mps()
    utc_s = np.array([burst.utc_s for burst in as_recorded()])
    east, north = (np.interp(utc_s, times, velocities[:, axis]) for axis in (0, 1))
    return with_speeds(np.column_stack((east, north)))


def speed_true(seed: int) -> tuple[Burst, ...]:
    """A speed at every epoch: the true one, with a good receiver's noise, and with outliers."""
    random = np.random.default_rng(seed)
    velocities = np.array([(t.east_mps, t.north_mps) for t in true_places()])
    velocities += random.normal(0.0, NOISE_MPS, velocities.shape)
    far = np.flatnonzero(random.random(len(velocities)) < OUTLIERS)
    sizes_mps = np.exp(random.uniform(math.log(OUTLIER_MPS[0]), math.log(OUTLIER_MPS[1]), len(far)))
    sizes_mps[len(far) // 2] = WORST_OUTLIER_MPS
    angles = random.uniform(0.0, 2.0 * np.pi, len(far))
    velocities[far] += sizes_mps[:, None] * np.column_stack((np.sin(angles), np.cos(angles)))
    return with_speeds(velocities)


def with_speeds(velocities_mps: Array) -> tuple[Burst, ...]:
    """The recording with a velocity, east and north, of one's own at every epoch."""
    bursts = []
    for burst, (east, north) in zip(as_recorded(), velocities_mps, strict=True):
        knots = math.hypot(east, north) / KNOT_MPS
        course_deg = math.degrees(math.atan2(east, north)) % 360.0
        gga, *rest = (line for line in burst.sentences if line[3:6] != b"RMC")
        place = ",".join(gga.decode().split(",")[2:6])
        body = f"GNRMC,{clock(burst.utc_s)},A,{place},{knots:.3f},{course_deg:.2f}"
        rmc = sentence(f"{body},{date(burst.utc_s)},,,A")
        bursts.append(Burst(burst.utc_s, (gga, rmc, *rest)))
    return tuple(bursts)


def taken_for_fixed(seed: int) -> tuple[Burst, ...]:
    """The recording as a receiver tells it that takes a float for a fix much more often.

    Wrong fixes of many sizes, in runs of one to ten, with a stated σ of centimetres; their errors
    are those that the float had.
    """
    random = np.random.default_rng(seed)
    bursts, left, sigma_m = [], 0, 0.0
    for burst in as_recorded():
        floating = b",E,5," in burst.sentences[0]
        if floating and not left and random.random() < TAKEN:
            left = int(random.integers(1, LONGEST_TAKEN + 1))
            sigma_m = math.exp(
                random.uniform(math.log(TAKEN_SIGMA_M[0]), math.log(TAKEN_SIGMA_M[1]))
            )
        if not floating or not left:
            bursts.append(burst)
            left = 0
            continue
        left -= 1
        bursts.append(Burst(burst.utc_s, tuple(_as_fixed(s, sigma_m) for s in burst.sentences)))
    return tuple(bursts)


def _as_fixed(line: bytes, sigma_m: float) -> bytes:
    fields = line.decode().strip()[1:].partition("*")[0].split(",")
    if fields[0][2:] == "GGA":
        fields[6] = "4"
    if fields[0][2:] == "GST":
        share = sigma_m / float(fields[3])
        for number in (3, 4, 6, 7, 8):
            fields[number] = f"{float(fields[number]) * share:.4f}"
    return sentence(",".join(fields))


Make = Callable[[], tuple[Burst, ...]]
INTERPOLATED = "speed at every epoch, interpolated"
VARIANTS: dict[str, Make] = {
    "speed at 1 Hz, as recorded": as_recorded,
    INTERPOLATED: speed_interpolated,
    **{
        f"speed at every epoch, true with noise and outliers, seed {seed}": partial(
            speed_true, seed
        )
        for seed in range(1, 6)
    },
}
"""What is held against the figures above."""
HARDER: dict[str, Make] = {
    f"speed at 1 Hz, a tenth of the fixes wrong, seed {seed}": partial(taken_for_fixed, seed)
    for seed in range(1, 6)
}
"""As recorded, with many more wrong fixes."""


# The supervisor over it


def settings(times: dict[str, Any]) -> Settings:
    """Defaults, but for a mower as fast as a car, and the times that are waited."""
    mower = {
        "outline_m": OUTLINE,
        "antenna_m": [0.0, 0.0],
        "speeding_up_mps2": SPEEDING_UP_MPS2,
    }
    content = {"fence": "around", "outputs": "none", "mower": mower, **times}
    loaded = Settings.model_validate(content)
    # Past what the settings accept of a mower.
    fast = {"full_mps": FASTEST_MPS, "slowed_mps": FASTEST_MPS}
    return loaded.model_copy(update={"mower": loaded.mower.model_copy(update=fast)})


def fence() -> Fence:
    """A square around the middle of the drive."""
    places = np.array([(t.lat_deg, t.lon_deg) for t in true_places()])
    lat_deg, lon_deg = (places.min(axis=0) + places.max(axis=0)) / 2.0
    up_deg = HALF_SIDE_M / METRES_PER_DEGREE
    east_deg = up_deg / math.cos(math.radians(lat_deg))
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]
    ring = [[lon_deg + x * east_deg, lat_deg + y * up_deg] for x, y in corners]
    feature = {
        "type": "Feature",
        "properties": {"zone": "keep_in", "name": "around"},
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    return geojson.parse({"type": "FeatureCollection", "features": [feature]}, "around")


def decided(
    bursts: tuple[Burst, ...], chosen: Settings
) -> Iterator[tuple[float, Epoch | None, Decision]]:
    """Every decision over the drive, as though its sentences arrived live.

    Each with its time and the epoch that it is on, None for a tick.
    """
    receiver = Receiver.from_settings(chosen.receiver)
    supervisor = Supervisor.from_settings(chosen, fence())
    begin_s, ticks = bursts[0].utc_s, 0
    for burst in bursts:
        at_s = burst.utc_s + LATENCY_S
        while (tick_s := begin_s + ticks * chosen.tick_s) < at_s:
            due_s = receiver.due_s
            if due_s is not None and due_s <= tick_s:
                for epoch in receiver.poll(due_s):
                    yield due_s, epoch, supervisor.step(due_s, epoch)
            yield tick_s, None, supervisor.step(tick_s, None)
            ticks += 1
        for epoch in receiver.feed(b"".join(burst.sentences), at_s):
            yield at_s, epoch, supervisor.step(at_s, epoch)
    for epoch in receiver.finish():
        yield at_s, epoch, supervisor.step(at_s, epoch)


def errors_m(epochs: list[Epoch]) -> Array:
    """How far each epoch's position is from the true one, in the plane.

    By PROJ (pyproj.Geod, WGS 84).
    """
    at = {round(t.utc_s, 3): t for t in true_places()}
    told, real = [], []
    for epoch in epochs:
        assert epoch.lat_deg is not None
        assert epoch.lon_deg is not None
        told.append((epoch.lon_deg, epoch.lat_deg))
        real.append((at[epoch.utc_s].lon_deg, at[epoch.utc_s].lat_deg))
    off_m: Array = pyproj.Geod(ellps="WGS84").inv(*np.array(told).T, *np.array(real).T)[2]
    return off_m


def judged(bursts: tuple[Burst, ...], times: dict[str, Any]) -> list[Judged]:
    """What the supervisor makes of each epoch of the drive."""
    epochs: list[Epoch] = []
    at: list[Decision] = []
    blade: list[bool] = []
    for _, epoch, decision in decided(bursts, settings(times)):
        if epoch is not None:
            epochs.append(epoch)
            at.append(decision)
            blade.append(False)
        if blade:
            blade[-1] |= decision.grant.blade
    begin_s = epochs[0].utc_s
    return [
        Judged(
            epoch.utc_s - begin_s,
            epoch.quality or 0,
            float(error_m),
            math.inf if decision.situation.bound_m is None else decision.situation.bound_m,
            decision.situation.bound is not None and decision.situation.bound.reach_m > 0.0,
            decision.situation.trust,
            granted,
        )
        for epoch, error_m, decision, granted in zip(
            epochs, errors_m(epochs), at, blade, strict=True
        )
    ]


def counts(epochs: list[Judged]) -> Counts:
    """The wrong fixes that got the blade, and the right ones that were doubted."""
    wrong = [epoch for epoch in epochs if epoch.wrong]
    right = [epoch for epoch in epochs if epoch.right and epoch.passed_s > SETTLED_S]
    return Counts(
        wrong=len(wrong),
        wrong_with_blade=sum(epoch.blade for epoch in wrong),
        right=len(right),
        right_doubted=sum(epoch.doubted for epoch in right),
        right_unknown=sum(epoch.trust is Trust.UNKNOWN for epoch in right),
        right_with_blade=sum(epoch.blade for epoch in right),
    )
