"""The memory's writing hand: records on disk soon, and never at the cost of the lines."""

import contextlib
import fcntl
import json
import math
import os
import queue
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fenceguard.errors import BadInput
from fenceguard.journal.read import day_files, last_record, sealed, split_torn
from fenceguard.receiver.epoch import utc_text

WAITING = 10_000
"""Records kept while the disk does not take them; newer ones are dropped and counted."""
RETRY_S = 0.5
END_S = 3.0
SPARE_BYTES = 4096
"""What a disk must still take when the journal is opened."""
LOCK = "writing.lock"
LAST_UTC_S = datetime(9999, 12, 31, tzinfo=UTC).timestamp()
UNREADABLE = (ValueError, TypeError, KeyError, OverflowError, RecursionError)

Waiting = tuple[str, float, float, dict[str, Any]]


class Journal:
    """Appends records to a directory, one file a day in UTC, from a thread of its own.

    Opening it mends what a power cut left: a torn last line is set aside (`set_aside` tells the
    file and the bytes), a whole one that lacks its line end gets it. `next_intervention` is one
    more than the greatest number used so far, `trouble` what keeps records from the disk just now.
    Raises BadInput where the directory cannot be used.
    """

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self.set_aside: dict[str, Any] | None = None
        self.trouble: str | None = None
        self._file: int | None = None
        self._day = ""
        self._dropped = self._lost = self._added = self._written = 0
        self._waiting: queue.Queue[Waiting | None] = queue.Queue(WAITING)
        try:
            directory.mkdir(parents=True, exist_ok=True)
            self._lock = os.open(directory / LOCK, os.O_CREAT | os.O_RDWR, 0o644)
        except OSError as error:
            raise self._unusable(error) from error
        try:
            self._take_over()
        except BaseException:
            os.close(self._lock)
            raise
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    def _unusable(self, error: OSError) -> BadInput:
        where = error.filename or self._directory
        problem = "not a directory" if isinstance(error, FileExistsError) else error.strerror
        return BadInput(
            f"{where}: the journal cannot be written there: {problem}; "
            "name a directory that this user may write to, on a disk with room"
        )

    def _take_over(self) -> None:
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BadInput(
                f"{self._directory}: another fenceguard writes this journal; stop it first, or "
                "name another directory"
            ) from error
        try:
            self._mend()
            _prove_room(self._directory)
            files = day_files(self._directory)
            last = last_record(self._directory)
            self.next_intervention = 1 + _greatest_intervention(files)
            for newest in files[-1:]:
                newest.open("ab").close()
        except OSError as error:
            raise self._unusable(error) from error
        self._newest_day = files[-1].stem if files else ""
        self._seq = last["seq"] if last else 0
        self._sum = last["sum"] if last else ""

    def _mend(self) -> None:
        for file in day_files(self._directory)[-1:]:
            content = file.read_bytes()
            lines, torn = split_torn(content)
            if torn:
                aside = file.with_suffix(".torn")
                with aside.open("ab") as kept:
                    kept.write(torn + b"\n")
                    os.fsync(kept.fileno())
                self.set_aside = {"file": aside.name, "bytes": len(torn)}
            if lines == content:
                continue
            with file.open("r+b") as mended:
                if len(lines) > len(content):
                    mended.seek(len(content))
                    mended.write(lines[len(content) :])
                mended.truncate(len(lines))
                mended.flush()
                os.fsync(mended.fileno())

    def add(self, kind: str, mono_s: float, utc_s: float, evidence: dict[str, Any]) -> None:
        """Have a record written soon. Never blocks, never raises."""
        try:
            self._waiting.put_nowait((kind, mono_s, utc_s, evidence))
            self._added += 1
        except queue.Full:
            self._dropped += 1

    def close(self) -> None:
        """Write what waits, for at most a few seconds, and let go of the directory."""
        with contextlib.suppress(queue.Full):
            self._waiting.put(None, timeout=END_S)
        self._thread.join(END_S)
        if not self._thread.is_alive():
            if self._file is not None:
                os.close(self._file)
                self._file = None
            os.close(self._lock)

    @property
    def unwritten(self) -> int:
        """Records that are not on the disk: dropped, or still waiting."""
        return self._dropped + self._lost + self._added - self._written

    def _run(self) -> None:
        ended = False
        while not ended:
            taken = [self._waiting.get()]
            with contextlib.suppress(queue.Empty):
                while True:
                    taken.append(self._waiting.get_nowait())
            ended = taken[-1] is None
            for waiting in taken:
                if waiting is not None and not self._write(waiting, ended):
                    return
            self._sync()

    def _write(self, waiting: Waiting, ending: bool) -> bool:
        """Write one record, however long that takes; when ending, only for a while."""
        give_up_s = time.monotonic() + END_S
        kind, mono_s, utc_s, evidence = waiting
        utc_s = utc_s if 0.0 <= utc_s <= LAST_UTC_S else 0.0
        dropped = self._dropped
        record = {
            "seq": self._seq + 1,
            "utc": _full_utc(utc_s),
            "mono_s": round(mono_s, 4) if math.isfinite(mono_s) else 0.0,
            "kind": kind,
            **_plain(evidence),
            **({"dropped": dropped} if dropped else {}),
            "prev": self._sum,
        }
        line, total = sealed(record)
        while True:
            try:
                self._append(record["utc"][:10], line)
                break
            except OSError as error:
                self._sync()
                self.trouble = (
                    f"the journal cannot be written: {error.strerror}; supervising goes on, "
                    "records wait; is the disk full, or no longer to be written?"
                )
                if ending and time.monotonic() > give_up_s:
                    return False
                time.sleep(RETRY_S)
        self.trouble = None
        self._dropped -= dropped
        self._lost += dropped
        self._seq, self._sum = record["seq"], total
        self._written += 1
        return True

    def _append(self, day: str, line: bytes) -> None:
        """One whole line at the end of the day's file, or nothing at all. Raises OSError."""
        day = max(day, self._newest_day)
        if self._file is None or day != self._day:
            self._sync()
            if self._file is not None:
                os.close(self._file)
                self._file = None
            path = self._directory / f"{day}.jsonl"
            self._file = os.open(path, os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o644)
            self._day = self._newest_day = day
            _sync_directory(self._directory)
        size = os.fstat(self._file).st_size
        try:
            written = os.write(self._file, line)
            if written < len(line):
                raise OSError(28, "No space left on device")
        except OSError:
            os.ftruncate(self._file, size)
            raise

    def _sync(self) -> None:
        if self._file is None:
            return
        try:
            os.fsync(self._file)
        except OSError as error:
            self.trouble = f"the journal may not be on the disk: {error.strerror}"


def _prove_room(directory: Path) -> None:
    probe = directory / "room.probe"
    try:
        with probe.open("wb") as file:
            file.write(b"\0" * SPARE_BYTES)
            file.flush()
            os.fsync(file.fileno())
    finally:
        with contextlib.suppress(OSError):
            probe.unlink()


def _sync_directory(directory: Path) -> None:
    handle = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _greatest_intervention(files: list[Path]) -> int:
    """The greatest number in the newest file that has one: numbers only grow."""
    for file in reversed(files):
        greatest = 0
        for line in file.read_bytes().splitlines():
            with contextlib.suppress(*UNREADABLE):
                record = json.loads(line)
                if record["kind"] == "intervention_begun":
                    greatest = max(greatest, int(record["id"]))
        if greatest:
            return greatest
    return 0


def _full_utc(utc_s: float) -> str:
    """ISO 8601 with a date, whatever the receiver said."""
    text = utc_text(utc_s)
    if "T" in text:
        return text
    return datetime.fromtimestamp(0, UTC).strftime("%Y-%m-%dT") + text


def _plain(value: Any) -> Any:
    """A value that JSON in UTF-8 can hold: null for what is not a number, text for the unknown."""
    if isinstance(value, dict):
        return {_plain(str(key)): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, int | float):
        return value
    return str(value).encode(errors="backslashreplace").decode()
