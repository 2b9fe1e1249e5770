"""Whether a journal can be believed."""

from dataclasses import dataclass, field
from pathlib import Path

from fenceguard.journal.files import fence_file
from fenceguard.journal.read import Line, entry_of, fence_bytes, numbered, opened, whole
from fenceguard.journal.records import Changed, Record, Start
from fenceguard.journal.story import FULL


@dataclass
class Verdict:
    """What became of checking every record."""

    records: int = 0
    files: int = 0
    first_utc: str | None = None
    last_utc: str | None = None
    faults: list[str] = field(default_factory=list)
    torn: str | None = None
    """Said of a torn last line, which is no fault: a power cut leaves one."""
    earlier: str | None = None
    """Said where earlier records are not there, which is no fault: old days may be cleared away."""


def verify(directory: Path) -> Verdict:
    """Check every record. Raises BadInput where there is no journal."""
    files = opened(directory)
    verdict = Verdict(files=len(files))
    chain = _Chain()
    fences: dict[str, str] = {}
    for file in files:
        for number, line in numbered(file):
            place = f"{file.name}:{number}"
            content = whole(line)
            if content is None and not line.endswith(b"\n") and file == files[-1]:
                verdict.torn = (
                    f"{place}: a torn last line of {len(line)} bytes, as a power cut leaves"
                )
                continue
            if content is None:
                verdict.faults.append(f"{place}: not a record as it was written")
                chain.broken()
                continue
            verdict.faults += [f"{place}: {fault}" for fault in chain.faults(content)]
            if not verdict.records and not verdict.faults and content["seq"] != 1:
                verdict.earlier = (
                    f"{place}: begins with record {content['seq']}; the earlier ones are not there"
                )
            verdict.records += 1
            verdict.first_utc = verdict.first_utc or content["utc"]
            verdict.last_utc = content["utc"]
            if content["kind"] == Start.kind:
                fences.setdefault(str(content.get("fence_hash")), place)
    for fence_hash, place in fences.items():
        verdict.faults += _fence_faults(directory, fence_hash, place)
    return verdict


def _fence_faults(directory: Path, fence_hash: str, place: str) -> list[str]:
    """What is wrong with the fence that a start record names."""
    if fence_bytes(directory, fence_hash) is not None:
        return []
    file = fence_file(directory, fence_hash)
    if file.exists():
        return [f"{file.name}: not the fence that {place} names"]
    return [f"{place}: its fence {file.name} is not there"]


class _Chain:
    """What the records so far oblige the next one to."""

    def __init__(self) -> None:
        self._last: Line | None = None
        self._rung: str | None = None
        self._open: int | None = None
        self._greatest = 0

    def broken(self) -> None:
        """A record is missing: what follows is checked by itself."""
        self._last = self._rung = self._open = None

    def faults(self, content: Line) -> list[str]:
        """What is wrong with the next line."""
        try:
            record = entry_of(content).record
        except ValueError as error:
            self.broken()
            return [str(error)]
        found = self._order(content) + self._story(record)
        self._last = content
        return found

    def _order(self, content: Line) -> list[str]:
        last = self._last
        if last is None:
            return []
        found = []
        if content["seq"] != last["seq"] + 1:
            found.append(f"record {content['seq']} follows record {last['seq']}")
        if content["prev"] != last["sum"]:
            found.append("does not continue the record before it")
        if content["kind"] != Start.kind and content["mono_s"] < last["mono_s"]:
            found.append(f"the clock went back from {last['mono_s']} to {content['mono_s']}")
        return found

    def _story(self, record: Record) -> list[str]:
        found = []
        if isinstance(record, Start):
            if record.interventions < self._greatest:
                found.append(f"counts {record.interventions} interventions after {self._greatest}")
            self._rung, self._open = record.rung, None
            self._greatest = record.interventions
        elif isinstance(record, Changed):
            if self._rung not in (None, record.was):
                found.append(f"leaves {record.was}, but the rung was {self._rung}")
            self._rung = record.rung
            found += self._intervention(record)
        return found

    def _intervention(self, change: Changed) -> list[str]:
        number, found = change.intervention, []
        if change.was == FULL:
            if number is None:
                found.append("an intervention begins without a number")
            elif number <= self._greatest:
                found.append(f"intervention {number} begins after {self._greatest}")
            self._greatest = max(self._greatest, number or 0)
        elif self._last is not None and number != self._open:
            found.append(f"tells of intervention {number}, but {self._open} was open")
        self._open = None if change.rung == FULL else number
        return found
