"""`fenceguard run`: supervise a mower, live."""

import argparse
import contextlib
import os
import signal
import sys

from fenceguard.account import Event
from fenceguard.cli.common import OUTPUTS_CAUTION, HelpFormatter, add_settings
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

SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
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
    with contextlib.ExitStack() as closing:
        teller = Teller(_write)
        closing.callback(teller.close)
        lines = closing.enter_context(Lines(loaded.settings.outputs))
        journal = Journal(loaded.path(loaded.settings.journal.directory))
        closing.callback(journal.close)
        port = _open(loaded.settings.receiver)
        closing.callback(port.close)
        button = None
        if loaded.settings.inputs is not None:
            button = ResetButton(loaded.settings.inputs)
            closing.callback(button.close)
        status = Status(teller, journal, sys.stdout.isatty())
        service = Service(
            loaded, port, lines, journal, told=status.told, shown=status.shown, button=button
        )
        for number in SIGNALS:
            signal.signal(number, lambda got, _frame: service.stop(signal.Signals(got).name))
        teller.tell(f"stopped: {service.run()}")
    return 0


def _open(receiver: ReceiverSettings) -> SerialPort | StreamPort:
    if receiver.port == STANDARD_INPUT:
        return StreamPort(sys.stdin.buffer)
    return SerialPort(receiver.port or "", receiver.baud)


class Status:
    """What is told while the service runs: every change, and a line a second on a terminal."""

    def __init__(self, teller: Teller, journal: Journal, every_second: bool) -> None:
        self._teller = teller
        self._journal = journal
        self._every_second = every_second
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
        if self._every_second and decision.now_s >= self._due_s:
            self._due_s = decision.now_s + STATUS_EVERY_S
            self._teller.tell(_line(decision))


def _line(decision: Decision) -> str:
    situation, epoch = decision.situation, decision.situation.epoch
    if epoch is None:
        return f"{decision.rung.word:9} no epoch yet"
    age = "-" if epoch.age_s is None else f"{epoch.age_s:.1f}"
    room = "-" if situation.room_m is None else f"{situation.room_m:+.2f}"
    wants = decision.findings[0].monitor if decision.findings else "nothing"
    return (
        f"{utc_text(epoch.utc_s)[-13:-5]} {decision.rung.word:9} {quality_name(epoch.quality):8} "
        f"age {age} s  room {room} m  demanding: {wants}"
    )


def _write(text: str) -> None:
    """Past the buffer of `sys.stdout`: a write that blocks there would keep the process alive."""
    data = f"{text}\n".encode(sys.stdout.encoding, "replace")
    while data:
        data = data[os.write(sys.stdout.fileno(), data) :]
