"""`fenceguard run`: supervise a mower, live."""

import argparse
import contextlib
import os
import shutil
import signal
import sys
from collections.abc import Callable, Mapping

from fenceguard.cli.common import (
    OUTPUTS_CAUTION,
    RECORDS_MISSING,
    SIGNALS,
    HelpFormatter,
    add_settings,
    count_text,
    open_journal,
    unwritten_text,
    use_board_pins,
)
from fenceguard.errors import BadInput
from fenceguard.inputs.buttons import ResetButton
from fenceguard.inputs.input import Panel
from fenceguard.journal.account import finding_told
from fenceguard.journal.records import Changed, Entry, Tells
from fenceguard.journal.story import Story
from fenceguard.judgement.types import Decision
from fenceguard.live import Live
from fenceguard.outputs.lines import Lines
from fenceguard.outputs.teller import Teller
from fenceguard.receiver.epoch import quality_name, utc_text
from fenceguard.recording.write import Recorder
from fenceguard.settings import load
from fenceguard.settings.models import ReceiverSettings
from fenceguard.sources.serial_port import SerialPort
from fenceguard.sources.source import Source
from fenceguard.sources.stream import StreamPort
from fenceguard.text import cause_text, held_text, tells_text

STATUS_EVERY_S = 1.0
STANDARD_INPUT = "-"
EXAMPLES = f"""\
examples:
  fenceguard run --settings mower.yaml
  fenceguard run --settings mower.yaml --set receiver.port=/dev/ttyACM1
  some-source | fenceguard run --settings mower.yaml --set receiver.port=-

It ends, with every line off, on SIGTERM, SIGINT and each other signal that
would end or stop it, but for SIGKILL, SIGSTOP, real-time signals and those of
a crash.

exit status: 0 stopped, or the input ended; 2 bad input; 3 records of the
journal or the recording could not be written

{OUTPUTS_CAUTION}
"""


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "run",
        help="supervise a mower, live",
        description="Watches the receiver, holds or drops the output lines, and writes the journal "
        "and the recording, until stopped.",
        epilog=EXAMPLES,
        formatter_class=HelpFormatter,
    )
    add_settings(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Supervise until a signal."""
    loaded = load(args.settings, args.set)
    settings, status_code = loaded.settings, 0
    if settings.receiver.port is None:
        raise BadInput(f"{args.settings}: receiver.port: missing; say where the receiver is")
    if settings.journal is None:
        raise BadInput(f"{args.settings}: journal.directory: missing; say where to write it")
    if settings.outputs is not None:
        print(OUTPUTS_CAUTION, file=sys.stderr)
        use_board_pins()
    with contextlib.ExitStack() as closing:
        teller = Teller(_write)
        closing.callback(teller.close)
        lines = closing.enter_context(Lines.from_settings(settings.outputs))
        journal = open_journal(loaded, loaded.path(settings.journal.directory))
        closing.callback(journal.close)
        recorder = None
        if settings.recording is not None:
            recorder = Recorder(
                loaded.path(settings.recording.directory),
                cap_gib=settings.recording.cap_gib,
                file_mib=settings.recording.file_mib,
            )
            closing.callback(recorder.close)
        source = _open(settings.receiver)
        closing.callback(source.close)
        panel = Panel()
        if settings.inputs is not None:
            panel = Panel(ResetButton(settings.inputs.reset_pin))
            closing.callback(panel.close)
        columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        troubles = {
            "receiver": lambda: source.fault,
            "inputs": lambda: panel.fault,
            "journal": lambda: journal.trouble,
            "recording": lambda: None if recorder is None else recorder.trouble,
        }
        status = Status(teller, troubles, columns)
        if journal.set_aside:
            teller.tell(
                f"the journal ended in a torn line, as after a power cut; "
                f"{journal.set_aside['bytes']} bytes were set aside in {journal.set_aside['file']}"
            )
        live = Live(
            loaded,
            source,
            lines,
            journal,
            told=status.told,
            shown=status.shown,
            panel=panel,
            recorder=recorder,
        )
        for number in SIGNALS:
            signal.signal(number, lambda got, _frame: live.stop(signal.Signals(got).name))
        teller.tell(f"stopped: {live.run()}; {status.account()}")
        if recorder is not None and recorder.bytes_an_hour is not None:
            teller.tell(f"the recording grew by {recorder.bytes_an_hour / 1e6:.2f} MB an hour")
        journal.close()
        missing = [(journal.directory, journal.unwritten)]
        if recorder is not None:
            recorder.close()
            missing.append((recorder.directory, recorder.unwritten))
        for directory, unwritten in missing:
            if unwritten:
                teller.tell(unwritten_text(directory, unwritten))
                status_code = RECORDS_MISSING
    return status_code


def _open(receiver: ReceiverSettings) -> Source:
    if receiver.port == STANDARD_INPUT:
        if sys.stdin is None:
            raise BadInput("receiver.port: -, but standard input is closed")
        return StreamPort(sys.stdin.buffer)
    return SerialPort(receiver.port or "", receiver.baud)


class Status:
    """What is told while the mower is supervised: every change, and a line a second on a terminal.

    `troubles` are asked once a tick for what is wrong with what they are named after; `columns` is
    the terminal's width, None where there is no terminal.
    """

    def __init__(
        self,
        teller: Teller,
        troubles: Mapping[str, Callable[[], str | None]],
        columns: int | None,
    ) -> None:
        self._teller = teller
        self._troubles = troubles
        self._columns = columns
        self._due_s = 0.0
        self._said: dict[str, str | None] = dict.fromkeys(troubles)
        self._story = Story(keep=1)

    def told(self, entry: Entry) -> None:
        """Tell a change of rung, and why."""
        self._story.add(entry)
        change = entry.record
        if isinstance(change, Changed):
            causes = "; ".join(map(cause_text, change.findings)) or change.why
            self._teller.tell(f"{utc_text(entry.utc_s)}  {change.was} -> {change.rung}  {causes}")
        elif isinstance(change, Tells):
            for line in tells_text(change):
                self._teller.tell(line)

    def shown(self, decision: Decision) -> None:
        """Tell new trouble, and once a second where things stand."""
        for name, ask in self._troubles.items():
            trouble, said = ask(), self._said[name]
            if trouble != said:
                self._teller.tell(trouble or f"over: {said}")
                self._said[name] = trouble
        if self._columns is not None and decision.now_s >= self._due_s:
            self._due_s = decision.now_s + STATUS_EVERY_S
            self._teller.tell(_line(decision)[: self._columns])

    def account(self) -> str:
        """What was taken away in this run, in a few words."""
        run = self._story.runs[-1]
        number = count_text(self._story.count, "intervention")
        if run.reached_full or not run.held_s:
            return number
        return f"{number}; it never reached full, held by: {held_text(run.held_s)}"


def _line(decision: Decision) -> str:
    """Where things stand, what matters most first: a phone shows the beginning."""
    situation, epoch = decision.situation, decision.situation.epoch
    if epoch is None:
        return f"{decision.rung.word:9} no epoch yet"
    worst = max(decision.findings, key=lambda finding: finding.rung, default=None)
    wants = cause_text(finding_told(worst)) if worst else "no demand"
    room = "-" if situation.room_m is None else f"{situation.room_m:+.2f}"
    return (
        f"{utc_text(epoch.utc_s)[-13:-5]} {decision.rung.word:9} {wants}  "
        f"{quality_name(epoch.quality)}, room {room} m"
    )


def _write(text: str) -> None:
    """Past the buffer of `sys.stdout`: a write that blocks there would keep the process alive."""
    data = f"{text}\n".encode(sys.stdout.encoding, "replace")
    while data:
        data = data[os.write(sys.stdout.fileno(), data) :]
