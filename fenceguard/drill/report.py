"""What a campaign shows: rates with their confidence limits, times, and the integrity picture."""

import importlib.util
import math
import statistics
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from fenceguard.drill.drill import CELLS, CELLS_PER_DECADE, LEAST_CELL_M, REGIONS, USABLE_M, Result
from fenceguard.errors import BadInput
from fenceguard.simulator.faults import FAULTS

CONFIDENCE = 0.95
TOTALS = ALL, DETECTABLE = "all", "detectable"
"""Rows of all drills, and of those with faults that one receiver can tell."""


class Tally:
    """What came of all drills with the same faults under the same policy."""

    def __init__(self) -> None:
        self.runs = 0
        self.blade_out = 0
        self.blade_out_m = 0.0
        self.drive_out = 0
        self.drive_out_m = 0.0
        self.interventions = 0
        self.halts = 0
        self.full_s = 0.0
        self.lasted_s = 0.0
        self.action_s: list[float] = []
        self.regions = [0] * len(REGIONS)

    def add(self, result: Result) -> None:
        """One more drill."""
        self.runs += 1
        self.blade_out += result.blade_out_m > 0.0
        self.blade_out_m = max(self.blade_out_m, result.blade_out_m)
        self.drive_out += result.drive_out_m > 0.0
        self.drive_out_m = max(self.drive_out_m, result.drive_out_m)
        self.interventions += result.interventions
        self.halts += result.halts
        # To the hundredth, as they are told: then the order of the drills makes no difference.
        self.full_s = round(self.full_s + result.full_s, 2)
        self.lasted_s = round(self.lasted_s + result.lasted_s, 2)
        if result.action_s is not None:
            self.action_s.append(result.action_s)
        self.regions = [a + b for a, b in zip(self.regions, result.regions, strict=True)]

    def as_dict(self) -> dict[str, Any]:
        """The figures. Times of action are those of the drills in which there was one."""
        hours = self.lasted_s / 3600.0
        return {
            "runs": self.runs,
            "blade_out": self.blade_out,
            "blade_out_worst_m": self.blade_out_m,
            "blade_out_rate_upper": upper_limit(self.blade_out, self.runs, CONFIDENCE),
            "drive_out": self.drive_out,
            "drive_out_worst_m": self.drive_out_m,
            "acted": len(self.action_s),
            "action_s": quantiles(self.action_s),
            "interventions_per_hour": self.interventions / hours if hours else None,
            "halts_per_hour": self.halts / hours if hours else None,
            "hours": round(hours, 3),
            "full_share": self.full_s / self.lasted_s if self.lasted_s else None,
            "regions": dict(zip(REGIONS, self.regions, strict=True)),
        }


def _undetectable(name: str) -> bool:
    return name in FAULTS and FAULTS[name].undetectable != ""


def _rows_of(faults: tuple[str, ...]) -> tuple[str, ...]:
    """The rows that a drill with these faults counts in."""
    if not faults:
        return "none", ALL
    if any(map(_undetectable, faults)):
        return *faults, ALL
    return *faults, ALL, DETECTABLE


class Report:
    """The tallies of a campaign, by policy and faults, and the picture's cells."""

    def __init__(self, results: Iterable[Result]) -> None:
        self.tallies: dict[tuple[str, str], Tally] = {}
        self.cells = [[0] * CELLS for _ in range(CELLS)]
        for result in results:
            for name in _rows_of(result.faults):
                self.tallies.setdefault((name, result.policy), Tally()).add(result)
            for place, count in result.cells.items():
                row, column = map(int, place.split(","))
                self.cells[row][column] += count

    def as_dict(self) -> dict[str, Any]:
        """Everything, by faults and then by policy.

        A pair counts for each of its faults; `detectable` is all drills without a fault that is
        listed as undetectable.
        """
        told: dict[str, Any] = {}
        for (name, policy), tally in sorted(self.tallies.items()):
            told.setdefault(name, {})[policy] = tally.as_dict()
        return {
            "faults": told,
            "undetectable": {
                name: FAULTS[name].undetectable for name in told if _undetectable(name)
            },
        }

    def rows(self) -> list[tuple[str, ...]]:
        """The table: one row for each fault and policy, the supervised one first."""
        rows: list[tuple[str, ...]] = []
        ordered = sorted(
            self.tallies, key=lambda key: (key[0] not in TOTALS, key[0], key[1] != "supervised")
        )
        for name, policy in ordered:
            tally = self.tallies[name, policy]
            label = name
            if policy != "supervised":
                label = "  by hand" if (name, "supervised") in self.tallies else f"{name} by hand"
            figures = tally.as_dict()
            action_s = figures["action_s"]
            rows.append(
                (
                    label,
                    str(tally.runs),
                    f"{tally.blade_out}, {tally.blade_out_m:.2f}" if tally.blade_out else "0",
                    f"{figures['blade_out_rate_upper'] * 100:.2g}",
                    f"{tally.drive_out}, {tally.drive_out_m:.2f}" if tally.drive_out else "0",
                    " ".join(f"{one:.1f}" for one in action_s.values()) if action_s else "",
                    f"{(figures['full_share'] or 0.0) * 100:.0f}",
                )
            )
        return rows


HEADINGS = (
    "fault",
    "runs",
    "blade out (n, m)",
    "95 % limit %",
    "drive out (n, m)",
    "action s (50, 95, 100 %)",
    "full %",
)


def quantiles(values: list[float]) -> dict[str, float] | None:
    """Median, 95 % and greatest; None of nothing."""
    if not values:
        return None
    ordered = sorted(values)
    return {
        "median": statistics.median(ordered),
        "p95": ordered[math.ceil(0.95 * len(ordered)) - 1],
        "worst": ordered[-1],
    }


def upper_limit(events: int, runs: int, confidence: float) -> float:
    """The greatest rate that so few events in so many runs do not refute (Clopper and Pearson).

    The rate at which that many events or fewer would come with probability 1 - confidence.
    """
    if events >= runs:
        return 1.0
    low, high = events / runs, 1.0
    for _ in range(60):
        middle = (low + high) / 2.0
        if _at_most(events, runs, middle) > 1.0 - confidence:
            low = middle
        else:
            high = middle
    return high


def _at_most(events: int, runs: int, rate: float) -> float:
    """Probability of so many events or fewer: the binomial distribution, summed."""
    if rate >= 1.0:
        return 0.0
    if rate <= 0.0:
        return 1.0
    return math.fsum(
        math.exp(
            math.lgamma(runs + 1)
            - math.lgamma(k + 1)
            - math.lgamma(runs - k + 1)
            + k * math.log(rate)
            + (runs - k) * math.log1p(-rate)
        )
        for k in range(events + 1)
    )


def check_picture(file: Path) -> None:
    """Raises BadInput if a picture could not be drawn to a file: better known before long work."""
    if importlib.util.find_spec("matplotlib") is None:
        raise BadInput('the picture needs matplotlib: pip install "fenceguard[plots]"')
    try:
        file.touch()
    except OSError as error:
        raise BadInput(f"{file}: cannot be written: {error.strerror}") from error


def picture(report: Report, file: Path) -> None:
    """The integrity picture: true error against bound, as a PNG. Raises BadInput."""
    check_picture(file)
    import matplotlib
    from matplotlib.colors import LogNorm

    matplotlib.use("Agg")
    from matplotlib import pyplot

    edges_m = [LEAST_CELL_M * 10.0 ** (k / CELLS_PER_DECADE) for k in range(CELLS + 1)]
    figure, axes = pyplot.subplots(figsize=(7.0, 6.0), dpi=120)
    counts = [[count or math.nan for count in row] for row in report.cells]
    mesh = axes.pcolormesh(edges_m, edges_m, counts, norm=LogNorm(vmin=1.0), cmap="viridis")
    axes.set(
        xscale="log",
        yscale="log",
        xlabel="true error, m",
        ylabel="bound, m",
        title="Integrity: does the bound hold?",
    )
    axes.plot(edges_m, edges_m, color="black", linewidth=1.0)
    axes.axhline(USABLE_M, color="black", linewidth=0.8, linestyle="--")
    axes.plot([USABLE_M, USABLE_M], [edges_m[0], USABLE_M], color="black", lw=0.8, ls="--")
    for x_m, y_m, text in (
        (0.0015, 0.16, "bound holds, usable"),
        (0.0015, 6.0, "bound holds, not usable"),
        (0.025, 0.0015, "misleading"),
        (0.4, 0.0015, "hazardously\nmisleading"),
    ):
        axes.text(x_m, y_m, text, fontsize=9)
    figure.colorbar(mesh, label="epochs")
    figure.tight_layout()
    try:
        figure.savefig(file, format="png")
    except OSError as error:
        raise BadInput(f"{file}: cannot be written: {error.strerror}") from error
    finally:
        pyplot.close(figure)
