"""A mower whose drive is known, heard as a receiver tells of it."""

import math
from typing import Any

from fenceguard.judgement.attitude import Attitudes
from fenceguard.judgement.types import Attitude
from fenceguard.receiver.epoch import Epoch
from tests.support.mowing import BODY, settings

EVERY_S = 0.2
HELD_S = 0.7
NORTH = 0.0


class Heard:
    """Follows a mower from the axle; tells of the antenna, which may be elsewhere."""

    def __init__(self, antenna_m: tuple[float, float] = (0.0, 0.0), **body: Any) -> None:
        mower = {**BODY, "antenna_m": list(antenna_m), "axle_m": [0.0, 0.0], **body}
        self.attitudes = Attitudes(settings(mower=mower).parameters().mower)
        self.ahead_m, self.left_m = antenna_m
        self.east_m = self.north_m = 0.0
        self.nose_deg, self.now_s = NORTH, 100.0

    def at(self, passed_s: float = EVERY_S, rests: float | None = None, **told: Any) -> Attitude:
        """An epoch, told so much later."""
        self.now_s += passed_s
        nose = math.radians(self.nose_deg)
        sin, cos = math.sin(nose), math.cos(nose)
        place = (
            self.east_m + self.ahead_m * sin - self.left_m * cos,
            self.north_m + self.ahead_m * cos + self.left_m * sin,
        )
        return self.attitudes.hear(self.now_s, self.now_s, Epoch(0.0, **told), place, rests)

    def goes(
        self,
        mps: float = 0.5,
        turns_dps: float = 0.0,
        every_s: float = EVERY_S,
        off_deg: float = 0.0,
        heading: bool = True,
        course: bool = True,
        **changes: Any,
    ) -> Attitude:
        """An epoch after so much driving; what is told of heading and of Doppler is exact."""
        half_deg = self.nose_deg + turns_dps * every_s / 2.0
        self.east_m += mps * every_s * math.sin(math.radians(half_deg))
        self.north_m += mps * every_s * math.cos(math.radians(half_deg))
        self.nose_deg += turns_dps * every_s
        rate, nose = math.radians(turns_dps), math.radians(self.nose_deg)
        ahead_mps = mps + rate * self.left_m
        left_mps = -rate * self.ahead_m
        east_mps = ahead_mps * math.sin(nose) - left_mps * math.cos(nose)
        north_mps = ahead_mps * math.cos(nose) + left_mps * math.sin(nose)
        told: dict[str, Any] = {"speed_mps": math.hypot(east_mps, north_mps)}
        if course:
            told["course_deg"] = math.degrees(math.atan2(east_mps, north_mps)) % 360.0
        if heading:
            told["heading_deg"] = (self.nose_deg + off_deg) % 360.0
        return self.at(every_s, **{**told, **changes})


def noses(attitude: Attitude) -> list[float]:
    return sorted(round(one % 360.0, 3) % 360.0 for one in attitude.headings_deg)


def travels(attitude: Attitude) -> list[float]:
    return sorted(round(way.travel_deg % 360.0, 3) % 360.0 for way in attitude.ways)
