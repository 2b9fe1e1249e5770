"""Makes of receivers: how often they tell what."""

from typing import NamedTuple


class Make(NamedTuple):
    """A make of receiver, as it is set up on a mower. A rate of 0 means never."""

    rate_hz: int = 5
    """Of its epochs, each with a GGA."""
    speed_hz: int = 5
    """Of RMC."""
    heading_hz: int = 5
    """Of HDT."""
    gst: bool = True
    course_from_mps: float = 0.0
    """Slower than this the course is left empty, as many do."""


MAKES = {
    "5hz": Make(),
    "1hz": Make(1, 1, 1),
    "10hz": Make(10, 10, 10),
    "no_gst": Make(gst=False),
    "no_heading": Make(heading_hz=0),
    "no_heading_10hz": Make(10, 10, 0),
    "heading_1hz": Make(heading_hz=1),
    "no_course_at_rest": Make(heading_hz=0, course_from_mps=0.1),
    "speed_1hz": Make(speed_hz=1),
    "no_rmc": Make(speed_hz=0),
    "gga_gst": Make(speed_hz=0, heading_hz=0),
}
"""By name; the first one has whatever a mower may wish for."""
