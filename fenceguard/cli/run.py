"""`fenceguard run`: supervise a mower, live."""

import argparse
import contextlib
import os
import shutil
import signal
import sys

from fenceguard.account import Event, finding_evidence
from fenceguard.cli.common import (
    OUTPUTS_CAUTION,
    SIGNALS,
    HelpFormatter,
    add_settings,
    use_board_pins,
)
from fenceguard.errors import BadInput
from fenceguard.journal.write import Journal
from fenceguard.judgement.words import Decision
from fenceguard.outputs.lines import Lines
from fenceguard.outputs.teller import Teller
from fenceguard.receiver.epoch import quality_name, utc_text
from fenceguard.receiver.ports import SerialPort, StreamPort
from fenceguard.service import ResetButton, Service
from fenceguard.settings import ReceiverSettings, load
from fenceguard.words import cause_text

STATUS_EVERY_S = 1.0
STANDARD_INPUT = "-"
EXAMPLES = f"""\
examples:
  fenceguard run --settings mower.yaml
  fenceguard run --settings mower.yaml --set receiver.port=/dev/ttyACM1
  some-source | fenceguard run --settings mower.yaml --set receiver.port=-

It ends, with every line off, on SIGTERM, SIGINT and SIGHUP.

{OUTPUTS_CAUTION}
"""


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the command."""
    parser = commands.add_parser(
        "run",
        help="supervise a mower, live",
        description="Watches the receiver, holds or drops the output lines and writes the journal, "
        "until stopped.",
        epilog=EXAMPLES,
        formatter_class=HelpFormatter,
    )
    add_settings(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Supervise until a signal."""
    loaded = load(args.settings, args.set)
    if loaded.settings.receiver.port is None:
        raise BadInput(f"{args.settings}: receiver.port: missing; say where the receiver is")
    if loaded.settings.journal is None:
        raise BadInput(f"{args.settings}: journal.directory: missing; say where to write it")
    if loaded.settings.outputs is not None:
        print(OUTPUTS_CAUTION, file=sys.stderr)
        use_board_pins()
    with contextlib.ExitStack() as closing:
        teller = Teller(_write)
        closing.callback(teller.close)
        lines = closing.enter_context(Lines(loaded.settings.outputs))
        kept = loaded.settings.journal
        journal = Journal(
            loaded.path(kept.directory),
            file_mib=kept.file_mib,
            keep_mib=kept.keep_mib,
            keep_days=kept.keep_days,
        )
        closing.callback(journal.close)
        port = _open(loaded.settings.receiver)
        closing.callback(port.close)
        button = None
        if loaded.settings.inputs is not None:
            button = ResetButton(loaded.settings.inputs)
            closing.callback(button.close)
        columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        status = Status(teller, journal, columns)
        service = Service(
            loaded, port, lines, journal, told=status.told, shown=status.shown, button=button
        )
        for number in SIGNALS:
            signal.signal(number, lambda got, _frame: service.stop(signal.Signals(got).name))
        teller.tell(f"stopped: {service.run()}")
    return 0


def _open(receiver: ReceiverSettings) -> SerialPort | StreamPort:
    if receiver.port == STANDARD_INPUT:
        if sys.stdin is None:
            raise BadInput("receiver.port: -, but standard input is closed")
        return StreamPort(sys.stdin.buffer)
    return SerialPort(receiver.port or "", receiver.baud)


class Status:
    """What is told while the service runs: every change, and a line a second on a terminal.

    `columns` is the terminal's width, None where there is no terminal.
    """

    def __init__(self, teller: Teller, journal: Journal, columns: int | None) -> None:
        self._teller = teller
        self._journal = journal
        self._columns = columns
        self._due_s = 0.0
        self._said = ("", "")
        if journal.set_aside:
            teller.tell(
                f"the journal ended in a torn line, as after a power cut; "
                f"{journal.set_aside['bytes']} bytes were set aside in {journal.set_aside['file']}"
            )

    def told(self, event: Event) -> None:
        """Tell a change of rung, and why."""
        if event.kind == "rung":
            evidence = event.evidence
            causes = "; ".join(map(cause_text, evidence["findings"])) or evidence["why"]
            self._teller.tell(
                f"{utc_text(event.utc_s)}  {evidence['from']} -> {evidence['to']}  {causes}"
            )

    def shown(self, decision: Decision, fault: str | None) -> None:
        """Tell new trouble with port or journal, and once a second where things stand."""
        trouble = (fault or "", self._journal.trouble or "")
        if trouble != self._said:
            for before, now in zip(self._said, trouble, strict=True):
                if now != before:
                    self._teller.tell(now or f"over: {before}")
            self._said = trouble
        if self._columns is not None and decision.now_s >= self._due_s:
            self._due_s = decision.now_s + STATUS_EVERY_S
            self._teller.tell(_line(decision)[: self._columns])


def _line(decision: Decision) -> str:
    """Where things stand, what matters most first: a phone shows the beginning."""
    situation, epoch = decision.situation, decision.situation.epoch
    if epoch is None:
        return f"{decision.rung.word:9} no epoch yet"
    worst = max(decision.findings, key=lambda finding: finding.rung, default=None)
    wants = cause_text(finding_evidence(worst)) if worst else "no demand"
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
