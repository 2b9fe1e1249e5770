"""`python -m tests.bench.truth [PNG]`: a real drive against the truth.

How often a wrong fix is believed and a right one doubted, beside a filter with a gate, and how the
bound holds the error. With a file name the integrity diagram is drawn, too.
"""

import argparse
import math
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.support.filtered import filtered
from tests.support.integrity import REGIONS, alert_limit_m, regions
from tests.support.truth import (
    AT_ONCE,
    HARDER,
    USUAL,
    VARIANTS,
    Judged,
    as_recorded,
    counts,
    judged,
    settings,
)


def belief() -> Table:
    """The supervisor and the filter, over each variant of the drive."""
    table = Table(title="Wrong fixes believed, right fixes doubted after the first minute")
    for column in ("drive", "who", "wrong", "believed", "right", "doubted", "unknown", "blade"):
        table.add_column(column, justify="left" if column in ("drive", "who") else "right")
    for name, variant in (VARIANTS | HARDER).items():
        bursts = variant()
        for who, times in (("supervisor, at once", AT_ONCE), ("supervisor, usual", USUAL)):
            n = counts(judged(bursts, times))
            row = (n.wrong, n.wrong_with_blade, n.right, n.right_doubted, n.right_unknown)
            table.add_row(name, who, *map(str, row), str(n.right_with_blade))
        gate = filtered(bursts)
        passed = gate.right - gate.right_refused
        table.add_row(name, "filter with a gate", *map(str, gate), "", str(passed))
    return table


def diagram(epochs: list[Judged], alert_m: float) -> Table:
    """The regions of the integrity diagram, for all fixes and for those with the blade."""
    fixes = [epoch for epoch in epochs if epoch.quality == 4]
    groups = {
        "all epochs": epochs,
        "fixed": fixes,
        "fixed, not doubted": [epoch for epoch in fixes if not epoch.doubted],
        "with the blade": [epoch for epoch in epochs if epoch.blade],
    }
    table = Table(title=f"Integrity diagram, alert limit {alert_m:g} m")
    for column in ("epochs", *REGIONS):
        table.add_column(column, justify="left" if column == "epochs" else "right")
    for name, group in groups.items():
        table.add_row(name, *map(str, regions(group, alert_m).values()))
    return table


def draw(epochs: list[Judged], alert_m: float, file: Path) -> None:
    """The diagram as a picture; both axes are logarithmic."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.0, 7.0), layout="constrained")
    axes = figure.subplots()
    # Told apart by people with any kind of colour blindness (Okabe and Ito, from memory).
    styles = {
        "float": ("#999999", ".", [e for e in epochs if e.quality != 4]),
        "fixed": ("#0072b2", "o", [e for e in epochs if e.quality == 4 and not e.blade]),
        "with the blade": ("#009e73", "x", [e for e in epochs if e.blade]),
    }
    for name, (colour, marker, group) in styles.items():
        told = [e for e in group if math.isfinite(e.bound_m)]
        errors_m, bounds_m = [e.error_m for e in told], [e.bound_m for e in told]
        axes.scatter(errors_m, bounds_m, s=12, c=colour, marker=marker, label=name)
    axes.set(xscale="log", yscale="log", xlabel="error, m", ylabel="bound, m")
    axes.axline((1.0, 1.0), (10.0, 10.0), color="black", linewidth=0.8)
    axes.axhline(alert_m, color="black", linestyle="--", linewidth=0.8)
    axes.axvline(alert_m, color="black", linestyle="--", linewidth=0.8)
    axes.legend()
    figure.savefig(file)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables, and draw."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("picture", nargs="?", type=Path, help="file for the diagram")
    options = parser.parse_args(arguments)
    epochs = judged(as_recorded(), AT_ONCE)
    alert_m = alert_limit_m(settings(AT_ONCE))
    console = Console(width=160)
    console.print(belief())
    console.print(diagram(epochs, alert_m))
    if options.picture is not None:
        draw(epochs, alert_m, options.picture)


if __name__ == "__main__":
    main()
