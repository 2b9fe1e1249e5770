"""`python -m tests.bench.truth [PNG]`: a real drive against the truth.

How often a wrong fix is believed and a right one doubted, beside the hand-written rule and a Kalman
filter, and how the bound holds the error. With a file name the integrity diagram is drawn, too.
"""

import argparse
import math
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from fenceguard.judgement.types import Trust
from tests.support.baselines import judged_by, policies
from tests.support.integrity import REGIONS, alert_limit_m, regions, sure_error_m, told_of
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

LEAST_DRAWN_M = 0.001
"""A logarithmic axis has no zero."""
COLUMNS = ("wrong", "with blade", "right", "doubted", "unknown", "with blade")
"""As `Counts` has them."""


def belief() -> Table:
    """The supervisor and the two baselines, over each variant of the drive."""
    table = Table(title="Wrong fixes with the blade; right fixes after the first minute")
    for column in ("drive", "times", "who", *COLUMNS):
        table.add_column(column, justify="right" if column in COLUMNS else "left")
    for name, variant in (VARIANTS | HARDER).items():
        bursts = variant()
        for told, times in (("at once", AT_ONCE), ("usual", USUAL)):
            epochs = judged(bursts, times)
            groups = {"supervisor": epochs}
            for who, policy in policies(times).items():
                groups[who] = judged_by(policy, bursts, epochs, settings(times).tick_s)
            for who, group in groups.items():
                table.add_row(name, told, who, *map(str, counts(group)))
    return table


def diagram(epochs: list[Judged], alert_m: float) -> Table:
    """The regions of the integrity diagram, for all fixes and for those with the blade."""
    fixes = [epoch for epoch in epochs if epoch.quality == 4]
    groups = {
        "all epochs": epochs,
        "fixed": fixes,
        "fixed, trusted": [epoch for epoch in fixes if epoch.trust is Trust.TRUSTED],
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
        told = [e for e in told_of(group) if math.isfinite(e.bound_m)]
        errors_m, bounds_m = (
            [max(LEAST_DRAWN_M, sure_error_m(e)) for e in told],
            [e.bound_m for e in told],
        )
        axes.scatter(errors_m, bounds_m, s=12, c=colour, marker=marker, label=name)
    axes.set(
        xscale="log",
        yscale="log",
        xlabel="error, m, less what the truth may be off",
        ylabel="bound, m",
    )
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
    console = Console(width=150)
    console.print(belief())
    console.print(diagram(epochs, alert_m))
    if options.picture is not None:
        draw(epochs, alert_m, options.picture)


if __name__ == "__main__":
    main()
