"""`python -m tests.bench`: how long everything takes, on recordings and on a made-up hour."""

import argparse
import json
import sys
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.bench.measure import RUNS, Figures, import_s, measure_all
from tests.bench.recorded import LOGS

ROWS = (
    ("epochs", "epochs", 0),
    ("sentences", "sentences", 0),
    ("full replay, s", "replay_s", 3),
    ("bare loop of pynmea2, s", "bare_s", 3),
    ("replay / bare loop", "ratio", 2),
    ("framing, µs per epoch", "framing_us", 1),
    ("parsing, µs per epoch", "parsing_us", 1),
    ("epochs, µs per epoch", "epochs_us", 1),
    ("judgement with ticks, µs per epoch", "judgement_us", 1),
    ("the same at 99 %, µs", "judgement_at_99_percent_us", 1),
    ("peak memory of a replay, MiB", "peak_mib", 1),
)


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description="Times a replay, the stages in it and a bare loop of pynmea2.parse over the "
        "same sentences, on recordings and on a made-up hour of mowing at 10 Hz.",
    )
    parser.add_argument("--logs", type=Path, default=LOGS, metavar="DIR", help="recordings")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    args = parser.parse_args()
    figures, skipped = measure_all(args.logs)
    for line in skipped:
        print(line, file=sys.stderr)
    service_import_s = import_s()
    if args.json:
        logs = {name: one._asdict() for name, one in figures.items()}
        print(json.dumps({"logs": logs, "service_import_s": service_import_s, "skipped": skipped}))
    else:
        _print(figures, service_import_s)
    return 0


def _print(figures: dict[str, Figures], service_import_s: float) -> None:
    out = Console(width=80, highlight=False)
    table = Table(title=f"Least of {RUNS} runs", title_justify="left")
    table.add_column("")
    for name in figures:
        table.add_column(name, justify="right")
    for label, field, digits in ROWS:
        cells = [f"{getattr(one, field):.{digits}f}" for one in figures.values()]
        table.add_row(label, *cells)
    out.print(table)
    out.print(f"Import of the live service: {service_import_s:.3f} s")


if __name__ == "__main__":
    sys.exit(main())
