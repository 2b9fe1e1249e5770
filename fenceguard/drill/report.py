"""What a campaign shows: rates with their confidence limits, times, and the integrity picture."""

import importlib.util
import math
import statistics
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from fenceguard.drill.result import (
    CELLS,
    CELLS_PER_DECADE,
    FIXES,
    LEAST_CELL_M,
    REGIONS,
    USABLE_M,
    Result,
)
from fenceguard.errors import BadInput
from fenceguard.simulator.faults import FAULTS

CONFIDENCE = 0.95
TOTALS = ALL, DETECTABLE = "all", "detectable"
"""Rows of all drills, and of those with faults that one receiver can tell."""


SUPERVISED = "supervised"
TITLES = {SUPERVISED: "", "hand_written": "by hand", "kalman": "Kalman"}
"""How a table calls the policies, in its order."""


class Tally:
    """What came of all drills with the same faults, under the same policy and controller."""

    def __init__(self) -> None:
        self.runs = 0
        self.proves_nothing = 0
        self.granted_out = 0
        self.granted_out_m = 0.0
        self.blade_out = 0
        self.blade_out_m = 0.0
        self.drive_out = 0
        self.drive_out_m = 0.0
        self.interventions = 0
        self.blade_stops = 0
        self.halts = 0
        self.full_s = 0.0
        self.lasted_s = 0.0
        self.honest_s = 0.0
        self.honest_full_s = 0.0
        self.honest_blade_stops = 0
        self.action_s: list[float] = []
        self.regions = [0] * len(REGIONS)
        self.fixes = [0] * len(FIXES)

    def add(self, result: Result) -> None:
        """One more drill; of one that proves nothing only what went before the fault counts."""
        # To the hundredth, as they are told: then the order of the drills makes no difference.
        self.honest_s = round(self.honest_s + result.honest_s, 2)
        self.honest_full_s = round(self.honest_full_s + result.honest_full_s, 2)
        self.honest_blade_stops += result.honest_blade_stops
        if not result.proves:
            self.proves_nothing += 1
            return
        self.runs += 1
        self.granted_out += result.granted_out_m > 0.0
        self.granted_out_m = max(self.granted_out_m, result.granted_out_m)
        self.blade_out += result.blade_out_m > 0.0
        self.blade_out_m = max(self.blade_out_m, result.blade_out_m)
        self.drive_out += result.drive_out_m > 0.0
        self.drive_out_m = max(self.drive_out_m, result.drive_out_m)
        self.interventions += result.interventions
        self.blade_stops += result.blade_stops
        self.halts += result.halts
        self.full_s = round(self.full_s + result.full_s, 2)
        self.lasted_s = round(self.lasted_s + result.lasted_s, 2)
        if result.action_s is not None:
            self.action_s.append(result.action_s)
        self.regions = [a + b for a, b in zip(self.regions, result.regions, strict=True)]
        self.fixes = [a + b for a, b in zip(self.fixes, result.fixes, strict=True)]

    def as_dict(self) -> dict[str, Any]:
        """The figures. Times of action are those of the drills in which there was one."""
        hours, honest_hours = self.lasted_s / 3600.0, self.honest_s / 3600.0
        wrong, wrong_with_blade, right, right_without_blade = self.fixes
        return {
            "runs": self.runs,
            "proves_nothing": self.proves_nothing,
            "granted_out": self.granted_out,
            "granted_out_worst_m": self.granted_out_m,
            "blade_out": self.blade_out,
            "blade_out_worst_m": self.blade_out_m,
            "blade_out_rate_upper": upper_limit(self.blade_out, self.runs, CONFIDENCE),
            "drive_out": self.drive_out,
            "drive_out_worst_m": self.drive_out_m,
            "acted": len(self.action_s),
            "action_s": quantiles(self.action_s),
            "interventions_per_hour": _share(self.interventions, hours),
            "blade_stops_per_hour": _share(self.blade_stops, hours),
            "halts_per_hour": _share(self.halts, hours),
            "hours": round(hours, 3),
            "full_share": _share(self.full_s, self.lasted_s),
            "before": {
                "hours": round(honest_hours, 3),
                "full_share": _share(self.honest_full_s, self.honest_s),
                "blade_stops_per_hour": _share(self.honest_blade_stops, honest_hours),
            },
            "regions": dict(zip(REGIONS, self.regions, strict=True)),
            "fixes": dict(zip(FIXES, self.fixes, strict=True)),
            "wrong_with_blade_share": _share(wrong_with_blade, wrong),
            "right_without_blade_share": _share(right_without_blade, right),
        }


def _share(part: float, whole: float) -> float | None:
    return part / whole if whole else None


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
    """The tallies of a campaign, by faults, policy and controller, and the picture's cells."""

    def __init__(self, results: Iterable[Result]) -> None:
        self.tallies: dict[tuple[str, str, str], Tally] = {}
        self.cells = [[0] * CELLS for _ in range(CELLS)]
        for result in results:
            for name in _rows_of(result.faults):
                for controller in (ALL, result.controller):
                    key = name, result.policy, controller
                    self.tallies.setdefault(key, Tally()).add(result)
            if not result.proves:
                continue
            for place, count in result.cells.items():
                row, column = map(int, place.split(","))
                self.cells[row][column] += count
        self.controllers = sorted({key[2] for key in self.tallies} - {ALL})

    @property
    def proves_nothing(self) -> int:
        """Drills of the supervised mower in which there was nothing to be taken away."""
        tally = self.tallies.get((ALL, SUPERVISED, ALL))
        return 0 if tally is None else tally.proves_nothing

    def as_dict(self) -> dict[str, Any]:
        """Everything, by faults and then by policy, and there by controller once more.

        A pair counts for each of its faults; `detectable` is all drills without a fault that is
        listed as undetectable.
        """
        told: dict[str, Any] = {}
        for name, policy, controller in sorted(self.tallies):
            if controller != ALL:
                continue
            figures = self.tallies[name, policy, ALL].as_dict()
            figures["controllers"] = {
                one: self.tallies[name, policy, one].as_dict()
                for one in self.controllers
                if (name, policy, one) in self.tallies
            }
            told.setdefault(name, {})[policy] = figures
        return {
            "proves_nothing": self.proves_nothing,
            "faults": told,
            "undetectable": {
                name: FAULTS[name].undetectable for name in told if _undetectable(name)
            },
        }

    def rows(self, controller: str = ALL) -> list[tuple[str, ...]]:
        """The table of a controller: one row for each fault and policy, the supervised one first.

        Of drills that prove nothing there is only their number, after a plus.
        """
        rows: list[tuple[str, ...]] = []
        for label, tally in self._labelled(controller):
            figures = tally.as_dict()
            action_s = figures["action_s"]
            worst_m = tally.granted_out_m, tally.blade_out_m, tally.drive_out_m
            rows.append(
                (
                    label,
                    f"{tally.runs}+{tally.proves_nothing}"
                    if tally.proves_nothing
                    else str(tally.runs),
                    f"{tally.blade_out}, {figures['blade_out_rate_upper'] * 100:.2g}",
                    "/".join(f"{one:.2f}" for one in worst_m) if any(worst_m) else "",
                    f"{action_s['median']:.1f}/{action_s['worst']:.1f}" if action_s else "",
                    _percent(figures["full_share"]),
                )
            )
        return rows

    def _labelled(self, controller: str) -> list[tuple[str, Tally]]:
        """The rows' names and tallies."""
        names = sorted(
            {key[0] for key in self.tallies}, key=lambda name: (name not in TOTALS, name)
        )
        labelled = []
        for name in names:
            told = [
                (title, self.tallies[name, policy, controller])
                for policy, title in TITLES.items()
                if (name, policy, controller) in self.tallies
            ]
            for number, (title, tally) in enumerate(told):
                labelled.append((f"{name} {title}".rstrip() if not number else f"  {title}", tally))
        return labelled

    def work(self) -> list[tuple[str, ...]]:
        """How much work gets done: one row for each controller and policy.

        Hours, share at full and stops are those before a fault may begin.
        """
        rows: list[tuple[str, ...]] = []
        for controller in self.controllers:
            label = controller
            for policy, title in TITLES.items():
                tally = self.tallies.get((ALL, policy, controller))
                if tally is None:
                    continue
                figures = tally.as_dict()
                before = figures["before"]
                stops = before["blade_stops_per_hour"]
                rows.append(
                    (
                        f"{label} {title}".rstrip(),
                        f"{before['hours']:.2f}",
                        _percent(before["full_share"]),
                        "" if stops is None else f"{stops:.1f}",
                        str(tally.proves_nothing),
                        _percent(figures["wrong_with_blade_share"]),
                        _percent(figures["right_without_blade_share"]),
                    )
                )
                label = " "
        return rows


# Lines as they are to be broken: a table gives columns room by their longest line.
HEADINGS = (
    "fault",
    "runs",
    "blade out,\n95 % limit\n%",
    "worst out m\ngranted/\nturning/\ndriving",
    "action s\n50/100 %",
    "full\n%",
)
WORK_HEADINGS = (
    "controller",
    "hours",
    "full\n%",
    "blade stops\nan hour",
    "drills that\nprove\nnothing",
    "wrong\nfixes with\nblade %",
    "right fixes\nwithout\n%",
)


def _percent(share: float | None) -> str:
    return "" if share is None else f"{share * 100:.0f}"


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
