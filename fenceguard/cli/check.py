"""`fenceguard check`: what is wrong with the settings, or what they will have supervised."""

import argparse
import itertools
import json
from typing import Any

from fenceguard.cli.common import HelpFormatter, add_settings, console, print_table
from fenceguard.judgement.bound import radius_per_sigma
from fenceguard.judgement.monitors import MONITORS
from fenceguard.judgement.types import Rung
from fenceguard.mower.footprint import Footprint
from fenceguard.settings import Loaded, Settings, load
from fenceguard.text import costs, number

LONG_SILENCE_S = 5.0
SHORT_WARNING_S = 1.0
FAR_OUT_M = -0.1
MEANS = {
    "sigma_axis": "σ of each axis",
    "p68": "radius that holds 68 %",
    "p95": "radius that holds 95 %",
}
DRIVE_LINE = {
    "cuts_power": "the drive line cuts the power: the mower stands before the fence, blade or not",
    "told": "the drive line is only told: the blade rests before the fence",
}
EXAMPLES = """\
examples:
  fenceguard check --settings config/settings.yaml
  fenceguard check --settings mower.yaml --set limits.silence.halted=2.5

exit status: 0 good, 2 faults in settings or fence
"""


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "check",
        help="find faults in settings and fence, or say what will be supervised",
        description="Names every fault of the settings and the fence at once (exit status 2), or "
        "says what will be supervised and with which limits.",
        epilog=EXAMPLES,
        formatter_class=HelpFormatter,
    )
    add_settings(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check and print."""
    loaded = load(args.settings, args.set)
    if args.json:
        print(json.dumps(_as_dict(loaded)))
    else:
        _print(loaded)
    return 0


def _as_dict(loaded: Loaded) -> dict[str, Any]:
    return {
        "settings_file": str(loaded.settings_file),
        "settings_hash": loaded.settings_hash,
        "fence_file": str(loaded.fence_file),
        "fence_hash": loaded.fence_hash,
        "fence_area_m2": round(loaded.fence.area.area, 2),
        "rings": [ring.name for ring in loaded.fence.rings],
        "settings": loaded.settings.model_dump(mode="json"),
    }


def _print(loaded: Loaded) -> None:
    settings, fence, out = loaded.settings, loaded.fence, console()
    reach_m = Footprint(settings.mower.outline_m, settings.mower.antenna_m).reach_m
    factor = radius_per_sigma(settings.bound.probability)
    out.print(f"Settings  {loaded.settings_file} ({loaded.settings_hash})")
    out.print(f"Fence     {loaded.fence_file} ({loaded.fence_hash})")
    out.print(f"          {fence.area.area:.1f} m² to mow, {len(fence.rings) - 1} keep-outs")
    out.print(f"Receiver  {settings.receiver.port or 'no port: replay only'}")
    if not settings.receiver.tells:
        out.print("          what it tells, and what is missing, run and replay say after a minute")
    accuracy = settings.receiver.accuracy
    if accuracy is not None:
        meant = f"{MEANS[accuracy.means]}, in {accuracy.unit}"
        out.print(f"          accuracy: {accuracy.header}, field {accuracy.field}: {meant}")
    mower = settings.mower
    out.print(f"Mower     reaches {reach_m:.2f} m from its antenna")
    out.print(f"Drive     {DRIVE_LINE[mower.stopping.drive_line]}")
    out.print(f"Bound     {factor:.2f} σ, for {settings.bound.probability * 100:g} %")
    out.print(f"Outputs   {_outputs(loaded)}")
    out.print(
        f"Journal   {settings.journal.directory if settings.journal else 'none: replay only'}"
    )
    out.print(f"Start     {settings.start}, armed after {settings.arm.fixed_for_s:g} s fixed")
    rungs = [rung.word for rung in list(Rung)[1:]]
    print_table(out, "Limits", ("monitor", *rungs), _limits(loaded))
    for note in _notes(loaded):
        out.print(f"Note: {note}")


def _outputs(loaded: Loaded) -> str:
    outputs = loaded.settings.outputs
    if outputs is None:
        return "none: nothing is held or dropped"
    return ", ".join(f"{name} {line.pin}" for name, line in outputs.lines().items())


def _limits(loaded: Loaded) -> list[list[str]]:
    rows = []
    for monitor in MONITORS:
        told = monitor.unit not in ("", monitor.name)
        cells = [f"{monitor.name} ({monitor.unit})" if told else monitor.name]
        for rung in list(Rung)[1:]:
            limit = loaded.settings.limits.at(monitor.name, rung.word)
            sign = ">" if monitor.worse == "above" else "<"
            text = "" if limit is None else f"{sign} {number(limit.limit)}"
            cells.append(text + (f" for {limit.for_s:g} s" if limit and limit.for_s else ""))
        rows.append(cells)
    return rows


def _notes(loaded: Loaded) -> list[str]:
    settings = loaded.settings
    notes = []
    if settings.start == "locked" and settings.inputs is None:
        notes.append("it starts locked and has no reset button: it will never leave locked")
    for monitor in MONITORS:
        halted = settings.limits.at(monitor.name, Rung.HALTED.word)
        if monitor.indispensable and halted is not None and halted.for_s:
            notes.append(
                f"limits.{monitor.name}.halted waits {halted.for_s:g} s before it halts the mower"
            )
    silence = settings.limits.at("silence", Rung.HALTED.word)
    if silence is not None and float(silence.limit) > LONG_SILENCE_S:
        way_m = float(silence.limit) * settings.mower.full_mps
        notes.append(f"limits.silence.halted lets the mower drive {way_m:.1f} m unseen")
    room = settings.limits.at("room", Rung.HALTED.word)
    if room is not None and float(room.limit) < FAR_OUT_M:
        past_m = -float(room.limit)
        notes.append(f"limits.room.halted lets {past_m:g} m of the bound be past the fence")
    if settings.blade_delay_s < SHORT_WARNING_S:
        notes.append(
            f"blade_delay_s: the blade starts {settings.blade_delay_s:g} s after a warning"
        )
    if settings.receiver.tells:
        notes += [f"receiver.tells: {cost}" for cost in costs(settings.receiver.tells)]
    notes += _ahead_notes(settings)
    for monitor in MONITORS:
        limits = [
            (rung.word, monitor.grade(limit.limit))
            for rung in list(Rung)[1:]
            if (limit := settings.limits.at(monitor.name, rung.word)) is not None
        ]
        for (rung_word, grade), (lower_word, lower) in itertools.pairwise(limits):
            if lower < grade if monitor.worse == "above" else lower > grade:
                notes.append(
                    f"limits.{monitor.name}.{rung_word} is never reached: "
                    f"{lower_word} is demanded before it"
                )
    return notes


def _ahead_notes(settings: Settings) -> list[str]:
    """Where limits for `slowed` and what the chain goes by do not fit, or nothing goes by them."""
    mower, limits = settings.mower, settings.limits
    notes = []
    if settings.told_before_s() is None:
        notes.append("limits: nothing ahead is acted on, so the told speed does not heed it")
    elif not limits.acts("approach"):
        notes.append(
            "limits.approach demands nothing, so a controller that reads the slow line alone is "
            "not slowed before a fence"
        )
    slowed = limits.at("course", Rung.SLOWED.word)
    if not limits.acts("course"):
        notes.append("limits.course demands nothing, so a course is believed however far off")
    elif slowed is not None and float(slowed.limit) < mower.course_within_deg:
        notes.append(
            f"mower.course_within_deg: a course is believed to {mower.course_within_deg:g} degrees "
            f"off, farther than limits.course.slowed ({slowed.limit:g}) permits"
        )
    return notes
