"""The recordings of real receivers that every reader is tried on; the fixture `log` finds them."""

RECORDINGS = (
    "static-1hz-fixed.ubx.gz",
    "walk-1hz-fixed-float.ubx.gz",
    "drive-4hz-mixed.ubx.gz",
    "survey-10hz-differential-to-fixed.nmea.gz",
    "idle-1hz-single-talkers.nmea.gz",
    "odd-sentences.nmea.gz",
)
