"""What is reported of a campaign: limits, quantiles, regions, the picture."""

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from fenceguard.drill.report import HEADINGS, WORK_HEADINGS, Report, picture, quantiles, upper_limit
from fenceguard.drill.result import (
    CELLS,
    CELLS_PER_DECADE,
    REGIONS,
    USABLE_M,
    cell,
    region,
)
from fenceguard.errors import BadInput
from tests.support.drills import (
    made_up,
)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n - 1), st.just(n))))
def test_upper_limit_of_clopper_and_pearson(counts: tuple[int, int]) -> None:
    """Against the quantile of the beta distribution, as `scipy.stats` computes it."""
    events, runs = counts
    told = upper_limit(events, runs, 0.95)
    assert told == pytest.approx(beta.ppf(0.95, events + 1, runs - events), rel=1e-7)


@pytest.mark.parametrize("runs", [1, 59, 1000, 20_000])
def test_upper_limit_of_no_event(runs: int) -> None:
    """The closed form; and the rule of three, which is common practice for many runs."""
    told = upper_limit(0, runs, 0.95)
    assert told == pytest.approx(1.0 - 0.05 ** (1.0 / runs), rel=1e-9)
    if runs >= 59:
        assert told == pytest.approx(3.0 / runs, rel=0.03)


def test_upper_limit_when_every_run_has_the_event() -> None:
    assert upper_limit(7, 7, 0.95) == 1.0


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=200))
def test_quantiles(values: list[float]) -> None:
    told = quantiles(values)
    assert told is not None
    assert told["median"] == pytest.approx(np.median(values))
    assert told["worst"] == max(values)
    p95 = told["p95"]
    assert 20 * sum(value <= p95 for value in values) >= 19 * len(values)
    assert 20 * sum(value < p95 for value in values) < 19 * len(values)


def test_quantiles_by_hand() -> None:
    assert quantiles([]) is None
    assert quantiles([3.0]) == {"median": 3.0, "p95": 3.0, "worst": 3.0}
    hundred = [float(n) for n in range(100, 0, -1)]
    assert quantiles(hundred) == {"median": 50.5, "p95": 95.0, "worst": 100.0}


@pytest.mark.parametrize(
    ("error_m", "bound_m", "name"),
    [
        (0.1, 0.1, "holds_usable"),
        (0.1001, 0.1, "misleading"),
        (USABLE_M, USABLE_M, "holds_usable"),
        (USABLE_M, USABLE_M + 0.001, "holds_not_usable"),
        (USABLE_M, 0.1, "misleading"),
        (USABLE_M + 0.001, 0.1, "hazardously_misleading"),
        (USABLE_M + 0.001, USABLE_M, "hazardously_misleading"),
        (0.5, USABLE_M + 0.001, "misleading"),
        (0.5, 0.5, "holds_not_usable"),
    ],
)
def test_region(error_m: float, bound_m: float, name: str) -> None:
    assert REGIONS[region(error_m, bound_m)] == name


def test_cells_lie_between_their_edges() -> None:
    for k in range(1, CELLS):
        edge_m = 0.001 * 10.0 ** (k / CELLS_PER_DECADE)
        assert (cell(edge_m * 0.9999), cell(edge_m * 1.0001)) == (k - 1, k)
    assert (cell(0.0), cell(0.001)) == (0, 0)
    assert (cell(9.99), cell(10.0), cell(1000.0)) == (CELLS - 1,) * 3


def test_a_pair_counts_for_each_of_its_faults() -> None:
    report = Report(
        [
            made_up(),
            made_up(number=1, faults=("silence", "wrong_fix"), blade_out_m=0.2, action_s=3.0),
            made_up(number=2, faults=(), action_s=None, drive_out_m=0.1, halts=0),
            made_up(number=2, policy="hand_written", full_s=72.0, regions=(0, 0, 1, 2), cells={}),
        ]
    )
    told = report.as_dict()
    assert json.loads(json.dumps(told)) == told
    assert set(told["faults"]) == {"all", "detectable", "none", "silence", "wrong_fix"}
    assert list(told["undetectable"]) == ["wrong_fix"]
    silence = told["faults"]["silence"]["supervised"]
    assert (silence["runs"], silence["blade_out"], silence["blade_out_worst_m"]) == (2, 1, 0.2)
    assert silence["action_s"] == {"median": 2.0, "p95": 3.0, "worst": 3.0}
    assert told["faults"]["wrong_fix"]["supervised"]["runs"] == 1
    detectable = told["faults"]["detectable"]["supervised"]
    assert (detectable["runs"], detectable["blade_out"]) == (1, 0)
    none = told["faults"]["none"]["supervised"]
    assert (none["drive_out"], none["drive_out_worst_m"]) == (1, 0.1)
    assert (none["acted"], none["action_s"]) == (0, None)
    everything = told["faults"]["all"]["supervised"]
    assert (everything["runs"], everything["blade_out"], everything["acted"]) == (3, 1, 2)
    assert everything["hours"] == pytest.approx(3 * 72.0 / 3600.0)
    assert everything["full_share"] == 0.5
    assert everything["halts_per_hour"] == pytest.approx(2 / 0.06)
    assert everything["interventions_per_hour"] == pytest.approx(3 / 0.06)
    assert everything["blade_out_rate_upper"] == pytest.approx(beta.ppf(0.95, 2, 2))
    assert everything["regions"] == dict(zip(REGIONS, (15, 3, 0, 0), strict=True))
    assert report.cells[3][2] == sum(map(sum, report.cells)) == 18
    rows = report.rows()
    assert [row[0] for row in rows] == [
        "all",
        "  by hand",
        "detectable",
        "  by hand",
        "none",
        "silence",
        "  by hand",
        "wrong_fix",
    ]
    assert {len(row) for row in rows} == {len(HEADINGS)}
    assert rows[6][-1] == "100"
    alone = Report([made_up(policy="hand_written")])
    assert [row[0] for row in alone.rows()] == [
        "all by hand",
        "detectable by hand",
        "silence by hand",
    ]


def test_a_drill_that_proves_nothing_counts_apart() -> None:
    """But for the time before the fault: that the mower got nowhere then is what it shows."""
    drills = [
        made_up(),
        made_up(
            number=1, full_before_s=4.9, honest_full_s=3.0, blade_out_m=0.4, fixes=(4, 4, 0, 0)
        ),
        made_up(number=2, full_before_s=5.0, fixes=(5, 1, 5, 4)),
    ]
    report = Report(drills)
    told = report.as_dict()
    figures = told["faults"]["silence"]["supervised"]
    assert told["proves_nothing"] == report.proves_nothing == figures["proves_nothing"] == 1
    assert (figures["runs"], figures["blade_out"], figures["blade_out_worst_m"]) == (2, 0, 0.0)
    assert figures["before"]["full_share"] == pytest.approx(15.0 / 18.0)
    assert figures["wrong_with_blade_share"] == 0.2
    assert figures["right_without_blade_share"] == pytest.approx(5.0 / 11.0)
    assert report.rows()[-1][:2] == ("silence", "2+1")
    assert sum(map(sum, report.cells)) == 12
    by_hand = Report(one._replace(policy="hand_written") for one in drills)
    assert by_hand.proves_nothing == 0
    assert by_hand.as_dict()["faults"]["all"]["hand_written"]["proves_nothing"] == 1


def test_each_controller_has_its_own_figures() -> None:
    report = Report(
        [
            made_up(controller="lines_alone", honest_full_s=3.0, honest_blade_stops=2),
            made_up(number=1, controller="told_speed", granted_out_m=0.03, blade_out_m=0.05),
            made_up(number=1, controller="told_speed", policy="kalman", full_s=72.0),
        ]
    )
    told = report.as_dict()["faults"]["silence"]
    assert {one: figures["runs"] for one, figures in told["supervised"]["controllers"].items()} == {
        "lines_alone": 1,
        "told_speed": 1,
    }
    lines = told["supervised"]["controllers"]["lines_alone"]
    assert lines["before"]["full_share"] == 0.5
    assert lines["before"]["blade_stops_per_hour"] == pytest.approx(2 / (6.0 / 3600.0))
    assert list(told["kalman"]["controllers"]) == ["told_speed"]
    assert report.controllers == ["lines_alone", "told_speed"]
    assert report.rows("told_speed")[-2:] == [
        ("silence", "1", "1, 1e+02", "0.03/0.05/0.00", "1.0/1.0", "50"),
        ("  Kalman", "1", "0, 95", "", "1.0/1.0", "100"),
    ]
    assert [row[:4] for row in report.work()] == [
        ("lines_alone", "0.00", "50", "1200.0"),
        ("told_speed", "0.00", "100", "0.0"),
        ("  Kalman", "0.00", "100", "0.0"),
    ]
    assert {len(row) for row in report.work()} == {len(WORK_HEADINGS)}


def test_the_picture_is_a_png(tmp_path: Path) -> None:
    """Signature: PNG specification, ISO/IEC 15948, 5.2."""
    pytest.importorskip("matplotlib")
    file = tmp_path / "integrity.picture"
    picture(Report([made_up()]), file)
    assert file.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    with pytest.raises(BadInput, match=r"p\.png: cannot be written: No such file"):
        picture(Report([made_up()]), tmp_path / "nowhere" / "p.png")


def test_the_picture_says_what_it_needs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(BadInput, match=r'needs matplotlib: pip install "fenceguard\[plots\]"'):
        picture(Report([made_up()]), tmp_path / "integrity.png")
