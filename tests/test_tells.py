"""What the receiver tells: what is learned, what was declared, and what stays away."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.judgement.reckoning import RESTING_MPS
from fenceguard.judgement.tells import LEARNED, NAMES, RATE_EPOCHS, Missing, Tells
from fenceguard.judgement.types import Learned
from fenceguard.receiver.epoch import Epoch

ALL: dict[str, Any] = {
    "quality": 4,
    "speed_mps": 0.4,
    "course_deg": 90.0,
    "heading_deg": 90.0,
    "sigma_major_m": 0.01,
    "altitude_m": 40.0,
    "height_m": 82.0,
    "digit_m": 0.0001852,
}
FIELD_OF = {
    "speed": "speed_mps",
    "course": "course_deg",
    "heading": "heading_deg",
    "sigma": "sigma_major_m",
    "altitude": "altitude_m",
    "height": "height_m",
}


def epoch(**changes: Any) -> Epoch:
    return Epoch(1e9, **{**ALL, **changes})


def overdue(name: str, for_s: float) -> Any:
    """What is missing, but for rounding."""
    return name, pytest.approx(for_s)


class Told:
    """What the receiver tells, epoch by epoch."""

    def __init__(self, *declared: str, every_s: float = 0.2) -> None:
        self.tells = Tells(declared)
        self.every_s = every_s
        self.at_s = 0.0

    def hear(self, times: int = 1, **changes: Any) -> Missing | None:
        for _ in range(times):
            missing = self.tells.hear(self.at_s, epoch(**changes))
            self.at_s += self.every_s
        return missing


def test_the_names_are_those_of_fields() -> None:
    assert set(NAMES) == set(FIELD_OF)


@pytest.mark.parametrize("name", NAMES)
def test_a_field_is_learned_after_so_many_tellings(name: str) -> None:
    told = Told()
    away: dict[str, Any] = {FIELD_OF[name]: None}
    told.hear(LEARNED - 1)
    assert told.tells.learned.fields == ()
    assert told.hear(**away) is None
    assert told.tells.learned.fields == tuple(one for one in NAMES if one != name)
    told.hear()
    assert told.tells.learned.fields == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_what_stays_away_is_named_with_how_long_it_is_overdue(name: str) -> None:
    told = Told(every_s=0.25)
    told.hear(30)
    away: dict[str, Any] = {FIELD_OF[name]: None}
    # It is due again one period after it was told last.
    assert told.hear(**away) is None
    for late in range(1, 20):
        missing = told.hear(**away)
        assert missing is not None
        assert missing == overdue(name, 0.25 * late)
    assert told.hear() is None
    assert told.hear(**away) is None


@given(st.integers(1, 10), st.integers(0, 40))
def test_what_comes_with_some_epochs_only_is_due_as_often(nth: int, away: int) -> None:
    told = Told(every_s=0.1)
    for number in range(LEARNED * nth):
        assert told.hear(heading_deg=None if number % nth else 90.0) is None
    assert "heading" in told.tells.learned.fields
    told.hear()
    for _ in range(away):
        missing = told.hear(heading_deg=None)
    overdue_s = 0.1 * (away - nth)
    if overdue_s > 1e-6:
        assert missing == overdue("heading", overdue_s)
    elif away and overdue_s < -1e-6:
        assert missing is None


@pytest.mark.parametrize(
    ("name", "cannot_be", "can_be"),
    [
        ("course", {"speed_mps": RESTING_MPS}, {"speed_mps": RESTING_MPS + 0.001}),
        ("course", {"speed_mps": 0.0}, {"speed_mps": 0.4}),
        ("heading", {"quality": 5}, {"quality": 4}),
        ("sigma", {"quality": 1}, {"quality": 4}),
        ("altitude", {"quality": 5}, {"quality": 4}),
        ("height", {"quality": 0}, {"quality": 4}),
    ],
)
def test_nothing_is_missed_while_it_could_not_be_told(
    name: str, cannot_be: dict[str, Any], can_be: dict[str, Any]
) -> None:
    told = Told()
    told.hear(30)
    away: dict[str, Any] = {FIELD_OF[name]: None}
    others = {FIELD_OF[one]: ALL[FIELD_OF[one]] for one in NAMES}
    assert told.hear(500, **{**others, **cannot_be, **away}) is None
    missing = told.hear(10, **{**others, **can_be, **away})
    assert missing == overdue(name, 0.2 * 9)


def test_a_speed_is_missed_whatever_the_solution() -> None:
    told = Told()
    told.hear(30)
    missing = told.hear(10, quality=5, speed_mps=None, course_deg=None)
    assert missing == overdue("speed", 0.2 * 9)


def test_of_several_the_one_that_stays_away_longest_is_named() -> None:
    told = Told()
    told.hear(30)
    told.hear(5, heading_deg=None)
    missing = told.hear(5, heading_deg=None, height_m=None)
    assert missing is not None and missing.name == "heading"
    missing = told.hear(5, height_m=None)
    assert missing is not None and missing.name == "height"


@pytest.mark.parametrize(("first", "second"), [("speed", "heading"), ("heading", "speed")])
def test_it_is_the_longest_whichever_comes_first_in_the_list(first: str, second: str) -> None:
    told = Told(every_s=0.25)
    told.hear(30)
    told.hear(4, **{FIELD_OF[first]: None})
    both: dict[str, Any] = {FIELD_OF[first]: None, FIELD_OF[second]: None}
    assert told.hear(4, **both) == overdue(first, 7 * 0.25)


@pytest.mark.parametrize("name", NAMES)
def test_what_was_declared_is_missed_from_the_first_epoch_on(name: str) -> None:
    told = Told(name)
    assert told.tells.learned.fields == (name,)
    away: dict[str, Any] = {FIELD_OF[name]: None}
    assert told.hear(**away) is None
    missing = told.hear(10, **away)
    assert missing == overdue(name, 0.2 * 10)
    assert told.hear() is None


@pytest.mark.parametrize("name", NAMES)
def test_what_was_declared_is_missed_anew_after_a_reset(name: str) -> None:
    """Not for all the time before."""
    told = Told(name)
    told.hear(1000)
    told.tells.forget()
    away: dict[str, Any] = {FIELD_OF[name]: None}
    assert told.hear(**away) is None
    assert told.hear(**away) == overdue(name, 0.2)


def test_after_a_reset_what_is_not_told_any_more_is_not_missed() -> None:
    told = Told("speed")
    told.hear(30)
    assert told.hear(10, heading_deg=None) is not None
    told.tells.forget()
    assert told.tells.learned == Learned(None, ("speed",), None)
    assert told.hear(100, heading_deg=None) is None
    assert "heading" not in told.tells.learned.fields


@pytest.mark.parametrize("every_s", [0.05, 0.1, 0.2, 0.25, 1.0])
def test_the_rate_is_known_after_some_epochs(every_s: float) -> None:
    told = Told(every_s=every_s)
    told.hear(RATE_EPOCHS)
    assert told.tells.learned.period_s is None
    told.hear()
    assert told.tells.learned.period_s == every_s


def test_missing_epochs_make_no_slow_rate_and_the_same_instant_no_fast_one() -> None:
    told = Told()
    for number in range(30):
        told.hear()
        told.at_s += {3: 5.0, 7: 0.4, 12: -0.2}.get(number, 0.0)
    assert told.tells.learned.period_s == 0.2


def test_the_digits_are_those_of_the_last_position() -> None:
    told = Told()
    told.hear()
    assert told.tells.learned.digit_m == 0.0001852
    told.hear(digit_m=0.01852)
    assert told.tells.learned.digit_m == 0.01852
    # Without a position there are none to be known.
    told.hear(digit_m=None)
    assert told.tells.learned.digit_m == 0.01852


@pytest.mark.parametrize(
    ("sigmas", "tells"),
    [
        ({"sigma_major_m": 0.02}, True),
        ({"sigma_major_m": None, "sigma_lat_m": 0.02}, True),
        ({"sigma_major_m": 0.0, "sigma_lat_m": 0.02}, True),
        ({"sigma_major_m": 0.0, "sigma_lat_m": 0.0}, False),
        ({"sigma_major_m": None, "sigma_lat_m": None}, False),
    ],
)
def test_a_sigma_of_0_states_nothing(sigmas: dict[str, Any], tells: bool) -> None:
    told = Told("sigma")
    told.hear()
    assert (told.hear(5, **sigmas) is None) == tells
