"""The account of a run: from decisions, one by one, to entries and totals."""

import math
from itertools import pairwise
from math import nextafter

import pytest

from fenceguard.journal.account import LEARNS_S, Account
from fenceguard.journal.records import (
    BoundTold,
    Changed,
    Entry,
    EpochTold,
    FindingTold,
    Sensed,
    Stop,
    Summary,
    Tells,
    Where,
)
from fenceguard.judgement.types import (
    Bound,
    Decision,
    Evidence,
    Finding,
    Grant,
    Inputs,
    Learned,
    Rung,
    Situation,
    Trust,
)
from fenceguard.receiver.epoch import Epoch, utc_text
from fenceguard.receiver.receiver import Receiver
from tests.support.decisions import (
    BLADE_OFF,
    EPOCH,
    FULL,
    HALTED,
    HOST_S,
    LOCKED,
    MONITORS,
    SLOWED,
    SUMMARY_S,
    account,
    decided,
    demand,
    of_kind,
    totals,
)
from tests.support.made import standing

BOUND = Bound(
    sigma_m=0.02,
    optimism=1.5,
    age_m=0.01,
    per_sigma=4.3,
    floor_m=0.25,
    rounding_m=0.00124,
    tilt_m=0.03,
    unexplained_m=0.05,
    reach_m=0.07,
    radius_m=0.44,
)

# Changes and interventions


def test_a_change_of_rung_can_be_understood_alone() -> None:
    one = account()
    situation = Situation(
        EPOCH, 1.25004, "pond", BOUND, evidence=Evidence(Trust.TRUSTED, reach_m=0.31006)
    )
    finding = Finding("hdop", 2.12346, 2.0, "", SLOWED, "so it was")
    (entry,) = one.add(decided(3.0, SLOWED, FULL, finding, situation=situation))
    change = entry.record
    assert isinstance(change, Changed)
    assert (entry.mono_s, entry.utc_s) == (3.0, EPOCH.utc_s)
    assert (change.was, change.rung, change.why) == ("full", "slowed", "demand")
    assert change.findings == (FindingTold("hdop", 2.1235, 2.0, "", "slowed", "so it was"),)
    assert (change.settings_hash, change.fence_hash) == ("aaaa", "bbbb")
    where = change.where
    assert (where.clearance_m, where.nearest, where.room_m) == (1.25, "pond", 0.81)
    assert where.bound == BoundTold(
        radius_m=0.44,
        sigma_m=0.02,
        optimism=1.5,
        age_m=0.01,
        per_sigma=4.3,
        floor_m=0.25,
        rounding_m=0.0012,
        tilt_m=0.03,
        unexplained_m=0.05,
        reach_m=0.07,
    )
    assert (where.trust, where.reach_m) == ("trusted", 0.3101)
    assert where.epoch is not None
    assert (where.epoch.quality, where.epoch.satellites, where.epoch.hdop) == ("fixed", 20, 0.6)
    assert (where.epoch.lat_deg, where.epoch.lon_deg, where.epoch.age_s) == (50.0, 10.0, None)


def test_all_that_the_receiver_said_is_told_in_few_digits() -> None:
    """Angles of a position to 9 digits, a tenth of a millimetre; all else to 4."""
    heard = EPOCH._replace(
        lat_deg=50.12345678949,
        lon_deg=10.98765432151,
        height_m=441.00006,
        age_s=1.20004,
        station="0001",
        hdop=0.60004,
        speed_mps=0.41234,
        course_deg=12.5,
        heading_deg=13.25,
    )
    (entry,) = account().add(decided(3.0, SLOWED, FULL, situation=Situation(heard)))
    assert isinstance(entry.record, Changed)
    assert entry.record.where.epoch == EpochTold(
        utc=utc_text(heard.utc_s),
        quality="fixed",
        lat_deg=50.123456789,
        lon_deg=10.987654322,
        height_m=441.0001,
        age_s=1.2,
        station="0001",
        satellites=20,
        hdop=0.6,
        speed_mps=0.4123,
        course_deg=12.5,
        heading_deg=13.25,
    )


@pytest.mark.parametrize("clear_s", [None, 3.25])
def test_the_time_that_demands_stayed_away_is_told(clear_s: float | None) -> None:
    changed = decided(3.0, SLOWED, BLADE_OFF, clear_s=clear_s, why="clear")
    (entry,) = account().add(changed)
    assert isinstance(entry.record, Changed)
    assert (entry.record.clear_s, entry.record.why) == (clear_s, "clear")


def test_what_is_not_known_is_none() -> None:
    odd = Finding("hdop", math.nan, math.inf, "", SLOWED, "no number")
    word = Finding("solution", "float", "fixed", "", SLOWED)
    (entry,) = account().add(decided(3.0, SLOWED, FULL, odd, word))
    change = entry.record
    assert isinstance(change, Changed)
    assert [(one.value, one.limit) for one in change.findings] == [(None, None), ("float", "fixed")]
    assert change.where == Where(None, None, False, "", None, None, "unknown", None)


@pytest.mark.parametrize("at_least", [False, True])
def test_a_clearance_that_is_only_a_least_one_says_so(at_least: bool) -> None:
    situation = Situation(EPOCH, 1.25, "" if at_least else "pond", at_least=at_least)
    (entry,) = account().add(decided(3.0, SLOWED, FULL, situation=situation))
    assert isinstance(entry.record, Changed)
    assert entry.record.where.at_least is at_least


@pytest.mark.parametrize("part", Bound._fields)
def test_a_bound_of_which_a_part_is_no_number_is_not_known(part: str) -> None:
    bound = BOUND._replace(**{part: math.nan})
    (entry,) = account().add(decided(3.0, SLOWED, FULL, situation=Situation(bound=bound)))
    assert isinstance(entry.record, Changed)
    assert entry.record.where.bound is None


# What the receiver tells

KNOWN = Learned(0.20004, ("speed", "sigma"), 0.00234)
MORE = KNOWN._replace(fields=("speed", "sigma", "altitude"))


def tells(one: Account, now_s: float, learned: Learned | None) -> list[Tells]:
    told: list[Tells] = of_kind(
        Tells, one.add(decided(now_s, situation=Situation(learned=learned)))
    )
    return told


@pytest.mark.parametrize("begin_s", [0.0, 7.0, -100.0])
def test_what_the_receiver_tells_is_told_once_the_first_minute_is_over(begin_s: float) -> None:
    one = account()
    for after_s in (0.0, 30.0, nextafter(LEARNS_S, 0.0) - 1e-9):
        assert tells(one, begin_s + after_s, KNOWN) == []
    assert tells(one, begin_s + LEARNS_S, KNOWN) == [Tells(0.2, ("speed", "sigma"), 0.0023)]
    assert tells(one, begin_s + LEARNS_S + 0.1, KNOWN._replace()) == []


def test_it_is_told_again_when_it_changes() -> None:
    one = account()
    told = [tells(one, now_s, learned) for now_s, learned in [(0.0, KNOWN), (60.0, KNOWN)]]
    assert [len(records) for records in told] == [0, 1]
    (again,) = tells(one, 75.0, MORE)
    assert again.fields == MORE.fields
    assert tells(one, 75.1, MORE) == []
    assert tells(one, 90.0, None) == [], "nothing is known of it just now"
    assert tells(one, 91.0, MORE) == []


def test_what_is_not_known_of_the_receiver_yet_is_none() -> None:
    one = account()
    tells(one, 0.0, None)
    assert tells(one, 60.0, None) == []
    assert tells(one, 61.0, Learned(None, (), None)) == [Tells(None, (), None)]


@pytest.mark.parametrize("lasted_s", [10.0, 70.0])
def test_a_run_that_ends_tells_it_at_the_latest(lasted_s: float) -> None:
    one = account()
    tells(one, 0.0, KNOWN)
    before = tells(one, lasted_s, KNOWN)
    at_the_end = of_kind(Tells, one.finish(lasted_s, "over"))
    assert [*before, *at_the_end] == [Tells(0.2, ("speed", "sigma"), 0.0023)]
    assert len(before) == (lasted_s >= LEARNS_S)


def test_an_intervention_lasts_from_full_to_full_and_has_a_number_of_its_own() -> None:
    one, numbers = account(8), []
    rungs = [HALTED, BLADE_OFF, FULL, SLOWED, HALTED, FULL, FULL, BLADE_OFF, LOCKED]
    for number, (was, rung) in enumerate(pairwise(rungs)):
        entries = one.add(decided(float(number), rung, was))
        numbers += [record.intervention for record in of_kind(Changed, entries)]
    assert numbers == [None, None, 8, 8, 8, 9, 9]
    assert one.interventions == totals(one, 9.0).interventions == 9


def test_before_the_first_intervention_the_last_one_is_that_before_it() -> None:
    assert totals(account(8), 0.0).interventions == 7
    assert totals(account(), 0.0).interventions == 0


# Totals


@pytest.mark.parametrize(
    ("decision", "held_by"),
    [
        (decided(0.0), []),
        (decided(0.0, SLOWED, None, demand("hdop", SLOWED)), ["hdop"]),
        (
            decided(0.0, HALTED, None, *(demand(name, HALTED) for name in MONITORS)),
            list(MONITORS),
        ),
        (decided(0.0, HALTED, None, demand("hdop", SLOWED), demand("late", HALTED)), ["late"]),
        (decided(0.0, BLADE_OFF, None, demand("hdop", SLOWED)), ["clear_time"]),
        (decided(0.0, HALTED, armed=False), ["arming"]),
        (decided(0.0, HALTED, None, demand("hdop", SLOWED), armed=False), ["hdop"]),
        (decided(0.0, LOCKED, None, demand("hdop", SLOWED), armed=False), ["reset"]),
        (decided(0.0, HALTED, None, demand("hdop", HALTED), armed=False), ["hdop"]),
        (decided(0.0, HALTED), ["clear_time"]),
        (decided(0.0, LOCKED), ["reset"]),
        (decided(0.0, LOCKED, armed=False), ["reset"]),
        (decided(0.0, LOCKED, None, demand("hdop", LOCKED)), ["hdop"]),
        (decided(0.0, BLADE_OFF, armed=False), ["clear_time"]),
        (decided(0.0, SLOWED, warning=True), ["blade_delay"]),
        (decided(0.0, SLOWED, None, demand("hdop", SLOWED), warning=True), ["hdop"]),
    ],
)
def test_the_time_to_the_next_step_is_held_by_what_this_one_tells(
    decision: Decision, held_by: list[str]
) -> None:
    one = account()
    one.add(decision)
    one.add(decided(2.5))
    stop = totals(one, 2.5)
    assert stop.held_s == dict.fromkeys(held_by, 2.5)
    spent_s = dict.fromkeys((rung.word for rung in Rung), 0.0)
    assert stop.time_in_rung_s == {**spent_s, decision.rung.word: 2.5}
    assert one.duration_s == 2.5


def test_times_add_up() -> None:
    one = account()
    for now_s, rung, name in (
        (10.0, HALTED, "hdop"),
        (12.0, SLOWED, "late"),
        (12.5, FULL, ""),
        (20.0, SLOWED, "hdop"),
    ):
        one.add(decided(now_s, rung, None, *([demand(name, rung)] if name else [])))
    one.add(decided(21.0))
    stop = totals(one, 21.0)
    assert stop.held_s == {"hdop": 3.0, "late": 0.5}
    assert stop.time_in_rung_s == {
        "full": 7.5,
        "slowed": 1.5,
        "blade_off": 0.0,
        "halted": 2.0,
        "locked": 0.0,
    }
    assert one.duration_s == 11.0


def test_what_held_for_no_time_is_not_told() -> None:
    one = account()
    one.add(decided(10.0, HALTED, None, demand("hdop", HALTED)))
    one.add(decided(10.0, HALTED, None, demand("late", HALTED)))
    one.add(decided(11.0))
    assert totals(one, 11.0).held_s == {"late": 1.0}


def test_a_clock_that_goes_back_takes_no_time_away() -> None:
    one = account()
    one.add(decided(10.0, HALTED))
    one.add(decided(4.0, HALTED))
    one.add(decided(5.0, HALTED))
    assert totals(one, 5.0).time_in_rung_s["halted"] == 1.0


def test_an_epoch_counts_once() -> None:
    one = account()
    later = EPOCH._replace(utc_s=EPOCH.utc_s + 0.2)
    for number, epoch in enumerate((None, EPOCH, EPOCH, later, later)):
        one.add(decided(number / 10.0, situation=Situation(epoch)))
    assert totals(one, 0.4).epochs == one.epochs == 2


def test_sentences_are_those_of_the_receiver() -> None:
    receiver = Receiver(0.12)
    one = Account(receiver, "aaaa", "bbbb", SUMMARY_S)
    receiver.feed(standing(1.0) + b"$GNGGA,1*00\r\n", 0.0)
    stop = totals(one, 0.0)
    assert (stop.sentences, sum(stop.rejected.values())) == (10, 1)


def test_a_summary_is_told_every_while() -> None:
    one = account()
    told = []
    for now_s in (5.0, 64.9, 65.0, 65.1, 124.9, 130.0, 189.9, 190.0):
        for record in of_kind(Summary, one.add(decided(now_s, SLOWED))):
            told.append((now_s, record.rung, record.decisions))
    assert told == [(65.0, "slowed", 3), (130.0, "slowed", 6), (190.0, "slowed", 8)]


def test_the_end_of_a_run_without_a_decision() -> None:
    (entry,) = account().finish(3.0, "SIGTERM")
    stop = entry.record
    assert isinstance(stop, Stop)
    assert (stop.rung, stop.reason, stop.decisions, stop.epochs) == ("halted", "SIGTERM", 0, 0)
    assert entry.utc_s == 0.0


def test_an_epoch_that_a_receiver_repeats_counts_each_time() -> None:
    one = account()
    for number, epoch in enumerate((EPOCH, EPOCH._replace())):
        one.add(decided(number / 10.0, situation=Situation(epoch)))
    assert one.epochs == 2


def test_the_end_tells_the_last_rung() -> None:
    one = account()
    one.add(decided(0.0, BLADE_OFF))
    assert totals(one, 1.0).rung == "blade_off"


@pytest.mark.parametrize(
    "other",
    [
        decided(1.001, SLOWED),
        decided(1.0, BLADE_OFF),
        decided(1.0, SLOWED, warning=True),
        decided(1.0, SLOWED, None, demand("hdop", SLOWED)),
        decided(1.0, SLOWED, grant=Grant(True, True, True, False, 0.4, 1.2)),
        decided(1.0, SLOWED, grant=Grant(True, True, True, False, 0.5, 1.3)),
        decided(1.0, SLOWED, grant=Grant(True, True, True, False, nextafter(0.5, 1.0), 1.2)),
        decided(1.0, SLOWED, grant=Grant(True, True, True, False, 0.5, nextafter(1.2, 2.0))),
        decided(nextafter(1.0, 2.0), SLOWED, grant=Grant(True, True, True, False, 0.5, 1.2)),
        decided(1.0, SLOWED, grant=Grant(False, True, True, False, 0.5, 1.2)),
        decided(1.0, SLOWED, grant=Grant(True, False, True, False, 0.5, 1.2)),
        decided(1.0, SLOWED, grant=Grant(True, True, False, False, 0.5, 1.2)),
    ],
)
def test_the_digest_tells_apart_what_was_decided(other: Decision) -> None:
    base = decided(1.0, SLOWED, grant=Grant(True, True, True, False, 0.5, 1.2))
    digests = []
    for decision in (base, base, other):
        one = account()
        one.add(decision)
        digests.append(totals(one, 1.0).digest)
    assert digests[0] == digests[1] != digests[2]
    assert all(len(digest) == 8 and int(digest, 16) >= 0 for digest in digests)


def test_the_digest_is_of_all_decisions_in_their_order() -> None:
    digests = set()
    for rungs in ((FULL,), (FULL, FULL), (FULL, SLOWED), (SLOWED, FULL)):
        one = account()
        for rung in rungs:
            one.add(decided(1.0, rung))
        digests.add(totals(one, 1.0).digest)
    assert len(digests) == 4


# Inputs and UTC


def test_inputs_are_told_by_name() -> None:
    one = account()
    one.host_utc(0.0, HOST_S)
    entry = one.sensed(2.0, Inputs(reset=True))
    assert entry == Entry(2.0, HOST_S + 2.0, Sensed({"reset": True}))


def heard(epoch: Epoch, host: bool = True) -> float:
    """UTC two seconds after an epoch was heard."""
    one = account()
    if host:
        one.host_utc(5.0, HOST_S)
    one.add(decided(10.0, situation=Situation(epoch)))
    return one.utc_s(12.0)


OF_DAY_S = 3600.0


def test_utc_is_the_receivers_where_it_tells_a_date_with_a_solution() -> None:
    assert heard(EPOCH) == EPOCH.utc_s + 2.0
    assert heard(EPOCH, host=False) == EPOCH.utc_s + 2.0


@pytest.mark.parametrize(
    "epoch",
    [EPOCH._replace(quality=0), EPOCH._replace(quality=None), EPOCH._replace(utc_s=OF_DAY_S)],
)
def test_else_it_is_the_hosts_or_undated_where_there_is_none(epoch: Epoch) -> None:
    assert heard(epoch) == HOST_S + 7.0
    assert heard(epoch, host=False) == epoch.utc_s + 2.0


def test_a_time_that_is_no_number_is_passed_over() -> None:
    assert heard(EPOCH._replace(utc_s=math.nan)) == HOST_S + 7.0
    assert heard(EPOCH._replace(utc_s=math.nan), host=False) == 0.0


def test_utc_goes_on_from_when_the_epoch_was_first_heard() -> None:
    one = account()
    for now_s in (10.0, 11.0):
        one.add(decided(now_s, situation=Situation(EPOCH)))
    assert one.utc_s(12.0) == EPOCH.utc_s + 2.0


def test_before_anything_is_heard_it_is_the_hosts() -> None:
    one = account()
    assert one.utc_s(3.0) == 0.0
    one.host_utc(1.0, HOST_S)
    assert one.utc_s(3.0) == HOST_S + 2.0
