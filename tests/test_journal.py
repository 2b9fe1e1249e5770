"""The journal: nothing written is lost, nothing changed goes unseen, nothing blocks."""

import hashlib
import json
import math
import os
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from fenceguard.appending import thread
from fenceguard.errors import BadInput
from fenceguard.journal import write
from fenceguard.journal.read import hashed, sealed
from fenceguard.journal.verify import verify
from fenceguard.journal.write import Journal
from tests.support.disks import fill
from tests.support.journals import FENCE, TOTALS, entry, written
from tests.support.waiting import eventually

NOON_S = datetime(2027, 5, 4, 12, 0, 0, tzinfo=UTC).timestamp()
DAY_S = 86400.0


def summary(journal: Journal, mono_s: float, utc_s: float | None = None, **more: Any) -> None:
    journal.add(entry("summary", mono_s, NOON_S + mono_s if utc_s is None else utc_s, **more))


def journal_of(directory: Path, count: int) -> Path:
    """A journal with some records; returns its only file."""
    journal = Journal(directory)
    for number in range(count):
        summary(journal, float(number), digest="äöü σ " * 3)
    journal.close()
    (file,) = directory.glob("*.jsonl")
    return file


def lines(file: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]


# What a record is


def test_records_carry_the_common_keys_and_a_chain_that_anyone_can_check(tmp_path: Path) -> None:
    """Recomputed with hashlib and json alone: SHA-256 (FIPS 180-4), its first 16 digits."""
    file = journal_of(tmp_path, 5)
    before = ""
    for number, text in enumerate(file.read_text(encoding="utf-8").splitlines(), start=1):
        record = json.loads(text)
        assert list(record)[:4] == ["seq", "utc", "mono_s", "kind"]
        assert list(record)[-2:] == ["prev", "sum"]
        assert (record["seq"], record["prev"]) == (number, before)
        assert record["utc"] == f"2027-05-04T12:00:0{number - 1}.000Z"
        body = text[: text.rindex(', "sum"')] + "}"
        before = hashlib.sha256(body.encode()).hexdigest()[:16]
        assert record["sum"] == before
    assert verify(tmp_path).faults == []


def test_numbering_goes_on_after_it_was_opened_again(tmp_path: Path) -> None:
    for _ in range(3):
        file = journal_of(tmp_path, 2)
    assert [record["seq"] for record in lines(file)] == [1, 2, 3, 4, 5, 6]
    assert [record["seq"] for record in written(tmp_path)] == [1, 2, 3, 4, 5, 6]


def test_interventions_are_numbered_on(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    assert journal.next_intervention == 1
    journal.add(entry("rung", 0.0, NOON_S, was="full", rung="halted", intervention=41))
    summary(journal, 1.0, NOON_S + DAY_S, interventions=41)
    journal.close()
    again = Journal(tmp_path)
    assert again.next_intervention == 42
    again.close()


def test_one_file_a_day_by_utc(tmp_path: Path) -> None:
    midnight_s = NOON_S + DAY_S / 2
    journal = Journal(tmp_path)
    for number, utc_s in enumerate([midnight_s - 0.001, midnight_s, midnight_s + DAY_S]):
        summary(journal, float(number), utc_s)
    journal.close()
    assert sorted(file.name for file in tmp_path.glob("*.jsonl")) == [
        "2027-05-04.jsonl",
        "2027-05-05.jsonl",
        "2027-05-06.jsonl",
    ]
    assert verify(tmp_path).faults == []


def test_a_date_that_goes_back_goes_on_in_the_newest_file(tmp_path: Path) -> None:
    for opened in range(2):
        journal = Journal(tmp_path)
        summary(journal, opened + 0.0, NOON_S)
        summary(journal, opened + 0.1, NOON_S - 3 * DAY_S)
        summary(journal, opened + 0.2, 60.0)
        journal.close()
        assert [file.name for file in tmp_path.glob("*.jsonl")] == ["2027-05-04.jsonl"], opened
    assert verify(tmp_path).faults == []
    assert [record["seq"] for record in written(tmp_path)] == [1, 2, 3, 4, 5, 6]


def test_what_is_no_number_becomes_null_and_no_time_does_not_stop_it(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    settings = {"inner": [{"a": math.nan}, (math.inf, -math.inf)], "whole": 1}
    journal.add(entry("start", 0.0, NOON_S, settings=settings))
    summary(journal, math.nan, math.nan)
    summary(journal, 2.0, math.inf)
    journal.close()
    (file,) = tmp_path.glob("*.jsonl")
    first, *_ = lines(file)
    assert first["settings"] == {"inner": [{"a": None}, [None, None]], "whole": 1}
    assert len(lines(file)) == 3


@pytest.mark.parametrize(
    ("utc_s", "evidence"),
    [
        (NOON_S, {"settings_file": "m\udce4her.yaml", "m\udce4her": 1}),
        (NOON_S, {"unplain": {1}, "path": Path("a")}),
        (1e18, {}),
        (-1e18, {}),
        (datetime(9999, 12, 31, 23, 59, 59, 999999, tzinfo=UTC).timestamp(), {}),
    ],
    ids=["a name that is not UTF-8", "no JSON", "far ahead", "far back", "the end of dates"],
)
def test_no_evidence_and_no_time_ends_the_writing(
    tmp_path: Path, utc_s: float, evidence: dict[str, Any]
) -> None:
    journal = Journal(tmp_path)
    journal.keep_fence(hashed(FENCE), FENCE)
    journal.add(entry("start", 0.0, utc_s, settings=evidence))
    summary(journal, 1.0)
    journal.close()
    first, _second = written(tmp_path)
    assert set(first["settings"]) >= {key for key in evidence if key.isascii()}
    assert verify(tmp_path).faults == []


# What a power cut leaves


@pytest.mark.parametrize("kept", ["the first", "the torn part again"])
def test_a_cut_at_any_byte_costs_no_whole_record(tmp_path: Path, kept: str) -> None:
    file = journal_of(tmp_path, 4)
    content = file.read_bytes()
    ends = [n + 1 for n, byte in enumerate(content) if byte == ord("\n")]
    for cut in range(ends[1], len(content) + 1):
        for left in tmp_path.iterdir():
            left.unlink()
        file.write_bytes(content[:cut])
        if kept != "the first":
            file.with_suffix(".torn").write_bytes(b"from before\n")
        complete = sum(1 for end in ends if end - 1 <= cut)
        torn = content[ends[complete - 1] : cut] if ends[complete - 1] < cut else b""
        journal = Journal(tmp_path)
        summary(journal, 100.0)
        journal.close()
        assert [one["seq"] for one in written(tmp_path)] == list(range(1, complete + 2))
        assert verify(tmp_path).faults == []
        if torn:
            assert journal.set_aside == {"file": "2027-05-04.torn", "bytes": len(torn)}
            aside = file.with_suffix(".torn").read_bytes()
            assert aside.endswith(torn + b"\n")
            assert aside.startswith(b"from before\n") or kept == "the first"
        else:
            assert journal.set_aside is None


def test_verify_says_a_torn_last_line_and_counts_no_fault(tmp_path: Path) -> None:
    file = journal_of(tmp_path, 3)
    file.write_bytes(file.read_bytes()[:-10])
    verdict = verify(tmp_path)
    assert verdict.faults == []
    assert verdict.records == 2
    assert verdict.torn is not None
    assert verdict.torn.startswith("2027-05-04.jsonl:3: a torn last line")


# What somebody changed


def test_any_byte_changed_is_a_fault(tmp_path: Path) -> None:
    file = journal_of(tmp_path, 3)
    content = file.read_bytes()
    for at in range(len(content) - 1):
        before, byte, after = content[:at], content[at], content[at + 1 :]
        for harm in (bytes([byte ^ 1]), bytes([byte ^ 0x20]), bytes([byte ^ 0x80]), b""):
            file.write_bytes(before + harm + after)
            assert verify(tmp_path).faults, (at, harm)
        for more in (b" ", b"\n", b"0"):
            file.write_bytes(before + more + content[at:])
            assert verify(tmp_path).faults, (at, more)


@pytest.mark.parametrize("change", [1, 0x20, 0x80])
def test_the_last_line_end_changed_is_said_as_a_torn_line(tmp_path: Path, change: int) -> None:
    file = journal_of(tmp_path, 3)
    content = file.read_bytes()
    file.write_bytes(content[:-1] + bytes([content[-1] ^ change]))
    assert verify(tmp_path).torn is not None


@pytest.mark.parametrize(
    "forged",
    [
        {"seq": "2"},
        {"utc": 5},
        {"mono_s": None},
        {"kind": []},
        {"kind": "intervention_begun", "id": "one"},
    ],
    ids=str,
)
def test_a_forged_record_of_wrong_types_is_a_fault(tmp_path: Path, forged: dict[str, Any]) -> None:
    """Its sum is right, so only its types tell."""
    file = journal_of(tmp_path, 3)
    rows = file.read_bytes().splitlines(keepends=True)
    record = {key: value for key, value in json.loads(rows[1]).items() if key != "sum"}
    rows[1] = sealed({**record, **forged})[0]
    file.write_bytes(b"".join(rows))
    assert verify(tmp_path).faults
    journal_of(tmp_path, 1)


def test_rubbish_is_a_fault_and_is_written_on_after(tmp_path: Path) -> None:
    file = journal_of(tmp_path, 2)
    rubbish = [b"[" * 100_000, b"\xff\x00", b"7", b'{"kind": "intervention_begun", "id": 1e999}']
    file.write_bytes(file.read_bytes() + b"\n".join(rubbish) + b"\n")
    assert len(verify(tmp_path).faults) == len(rubbish)
    journal_of(tmp_path, 2)
    assert [record["seq"] for record in written(tmp_path)] == [1, 2, 3, 4]
    assert len(verify(tmp_path).faults) == len(rubbish)


@pytest.mark.parametrize(
    "harm", ["removed", "swapped", "twice", "from elsewhere", "moved to another day"]
)
def test_lines_that_are_not_where_they_were_are_a_fault(tmp_path: Path, harm: str) -> None:
    file = journal_of(tmp_path, 6)
    rows = file.read_bytes().splitlines(keepends=True)
    if harm == "removed":
        del rows[2]
    elif harm == "swapped":
        rows[2], rows[3] = rows[3], rows[2]
    elif harm == "twice":
        rows.insert(3, rows[2])
    elif harm == "from elsewhere":
        record = {"seq": 4, "mono_s": 2.5, "kind": "summary", "utc": "", **TOTALS, "prev": ""}
        rows.insert(3, sealed(record)[0])
    else:
        (tmp_path / "2027-05-03.jsonl").write_bytes(rows.pop(2))
    file.write_bytes(b"".join(rows))
    assert verify(tmp_path).faults


def test_old_days_may_be_cleared_away(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    for day in range(3):
        summary(journal, day * DAY_S)
        summary(journal, day * DAY_S + 1.0)
    journal.close()
    (tmp_path / "2027-05-04.jsonl").unlink()
    verdict = verify(tmp_path)
    assert (verdict.faults, verdict.records) == ([], 4)
    assert verdict.earlier is not None and "begins with record 3" in verdict.earlier
    (tmp_path / "2027-05-05.jsonl").unlink()
    again = Journal(tmp_path)
    summary(again, 4 * DAY_S)
    again.close()
    assert [record["seq"] for record in written(tmp_path)] == [5, 6, 7]
    assert verify(tmp_path).faults == []


# Soon, and never in the way


def test_a_record_is_in_the_file_within_a_second(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    for number in range(10):
        summary(journal, float(number))
        assert eventually(lambda: sum(1 for _ in day_lines(tmp_path)) > number, 1.0)  # noqa: B023
    journal.close()


def day_lines(directory: Path) -> Iterator[str]:
    for file in directory.glob("*.jsonl"):
        yield from file.read_text().splitlines()


def test_every_record_is_forced_to_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last call for the file after its last write must be fsync."""
    calls: list[str] = []
    real_write, real_sync = os.write, os.fsync
    monkeypatch.setattr(os, "write", lambda *a: calls.append("write") or real_write(*a))  # type: ignore[func-returns-value]
    monkeypatch.setattr(os, "fsync", lambda *a: calls.append("fsync") or real_sync(*a))  # type: ignore[func-returns-value]
    journal = Journal(tmp_path)
    for number in range(5):
        summary(journal, float(number))
        assert eventually(lambda: calls[-1:] == ["fsync"] and "write" in calls, 1.0)
        calls.clear()
    journal.close()


def test_two_writers_are_refused(tmp_path: Path) -> None:
    first = Journal(tmp_path)
    with pytest.raises(BadInput, match="another fenceguard writes this journal"):
        Journal(tmp_path)
    summary(first, 1.0)
    first.close()
    assert verify(tmp_path).records == 1
    journal_of(tmp_path, 1)


def test_a_directory_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput, match="the journal cannot be written there"):
        Journal(tmp_path / "file" / "journal")


def test_a_directory_that_may_not_be_written_to_is_refused(
    tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    if os.geteuid() == 0:
        directory: Path = request.getfixturevalue("small_disk")
        subprocess.run(["mount", "-o", "remount,ro", str(directory)], check=True)
    else:
        directory = tmp_path / "closed"
        directory.mkdir(mode=0o555)
    with pytest.raises(BadInput, match="may write to"):
        Journal(directory)


def test_what_does_not_fit_the_queue_is_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(write, "WAITING", 5)
    monkeypatch.setattr(thread, "RETRY_S", 0.05)
    journal = Journal(tmp_path)
    summary(journal, 0.0)
    assert eventually(lambda: any(day_lines(tmp_path)), 1.0)
    real_write = os.write

    def full(_handle: int, _data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    for number in range(1, 21):
        summary(journal, float(number))
    assert eventually(lambda: journal.trouble is not None, 1.0)
    for number in range(21, 31):
        summary(journal, float(number))
    monkeypatch.setattr(os, "write", real_write)
    assert eventually(lambda: journal.trouble is None, 2.0)
    journal.close()
    kept = written(tmp_path)
    dropped = sum(record.get("dropped", 0) for record in kept)
    assert dropped > 0
    assert len(kept) + dropped == 31
    assert verify(tmp_path).faults == []


def test_what_was_written_before_the_disk_filled_up_is_forced_to_it_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls: list[str] = []
    real_write, real_sync = os.write, os.fsync

    def two_then_full(handle: int, data: bytes) -> int:
        if calls.count("write") == 2:
            raise OSError(28, "No space left on device")
        # While the first is written, the others come to wait and are taken together.
        time.sleep(0.2)
        calls.append("write")
        return real_write(handle, data)

    def sync(handle: int) -> None:
        calls.append("fsync")
        real_sync(handle)

    monkeypatch.setattr(thread, "RETRY_S", 0.05)
    journal = Journal(tmp_path)
    monkeypatch.setattr(os, "write", two_then_full)
    monkeypatch.setattr(os, "fsync", sync)
    for number in range(3):
        summary(journal, float(number))
    assert eventually(lambda: journal.trouble is not None, 2.0)
    assert calls.count("write") == 2
    assert calls[-1] == "fsync"
    monkeypatch.setattr(os, "write", real_write)
    journal.close()
    assert verify(tmp_path).records == 3


def test_a_disk_that_is_full_at_the_start_is_refused(small_disk: Path) -> None:
    fill(small_disk)
    with pytest.raises(BadInput, match=r"No space left on device.*disk with space left"):
        Journal(small_disk)


def test_a_disk_that_fills_up_costs_nothing_once_there_is_room(small_disk: Path) -> None:
    journal = Journal(small_disk)
    summary(journal, 0.0)
    assert eventually(lambda: any(day_lines(small_disk)), 1.0)
    filler = fill(small_disk)
    began_s = time.monotonic()
    for number in range(1, 101):
        summary(journal, float(number), digest="x" * 100)
    assert time.monotonic() - began_s < 0.5
    assert eventually(lambda: journal.trouble is not None, 2.0)
    assert "No space left on device" in str(journal.trouble)
    filler.unlink()
    assert eventually(lambda: journal.trouble is None, 3.0)
    journal.close()
    assert [record["seq"] for record in written(small_disk)] == list(range(1, 102))
    assert verify(small_disk).faults == []
