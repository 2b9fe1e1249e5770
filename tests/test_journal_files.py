"""The journal's files: parts of a day, what goes when there is too much, the end read alone."""

import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.appending.place import AppendedFile
from fenceguard.errors import BadInput
from fenceguard.journal import files as journal_files
from fenceguard.journal.files import (
    LONGEST_LINE,
    Part,
    day_files,
    last_line_at,
    lines_backwards,
    part_of,
)
from fenceguard.journal.read import Tail, fence_bytes, hashed, sealed, tail
from fenceguard.journal.verify import verify
from fenceguard.journal.write import MIB, Journal
from tests.support.journals import FENCE, TOTALS, entry, sealed_in, written
from tests.support.waiting import eventually

NOON_S = datetime(2027, 5, 4, 12, 0, 0, tzinfo=UTC).timestamp()
DAY_S = 86400.0


def summaries(directory: Path, utcs_s: list[float], **more: Any) -> None:
    """Write one summary for each time."""
    journal = Journal(directory, **more)
    for utc_s in utcs_s:
        journal.add(entry("summary", utc_s, utc_s))
    journal.close()
    assert (journal.unwritten, journal.trouble) == (0, None)


def names(directory: Path) -> list[str]:
    return [file.name for file in day_files(directory)]


def line_bytes(directory: Path) -> int:
    """Length of one summary, while numbers have one digit."""
    summaries(directory, [NOON_S])
    (file,) = day_files(directory)
    return file.stat().st_size


# Names and order


def test_parts_sort_by_day_then_number_also_past_nine(tmp_path: Path) -> None:
    wanted = [f"2027-05-04{part}.jsonl" for part in ("", *(f".{n}" for n in range(2, 13)))]
    wanted.append("2027-05-05.jsonl")
    others = [
        "2027-05-04.1.jsonl",
        "2027-05-04.02.jsonl",
        "2027-05-04.0.jsonl",
        "2027-13-01.jsonl",
        "2027-05-04.torn",
        "fence-0123456789abcdef.geojson",
        "x2027-05-04.jsonl",
    ]
    for name in [*reversed(wanted), *others]:
        (tmp_path / name).write_text("")
    assert names(tmp_path) == wanted


@given(st.dates(), st.integers(1, 10_000))
def test_a_part_is_known_by_its_name(day: Any, number: int) -> None:
    part = Part(day.isoformat(), number)
    assert part_of(Path(part.name)) == part


# Rotation


@pytest.mark.parametrize("openings", ["one", "many"])
@pytest.mark.parametrize(("spare", "parts"), [(-1, 3), (0, 2), (1, 2)])
def test_a_file_grows_to_its_size_and_not_past_it(
    tmp_path: Path, spare: int, parts: int, openings: str
) -> None:
    """Of four records three fit, or one byte too few is there for the third."""
    one = line_bytes(tmp_path / "one")
    with_prev = line_bytes_of_second(tmp_path / "two")
    size = one + 2 * with_prev + spare
    directory = tmp_path / "journal"
    times_s = [NOON_S] * (5 if spare < 0 else 4)
    for written_s in [times_s] if openings == "one" else [[time_s] for time_s in times_s]:
        summaries(directory, written_s, file_mib=size / MIB)
    assert names(directory) == [Part("2027-05-04", n).name for n in range(1, parts + 1)]
    assert all(file.stat().st_size <= size for file in day_files(directory))
    first = day_files(directory)[0].read_bytes()
    assert first.count(b"\n") == (2 if spare < 0 else 3)
    assert verify(directory).faults == []


def line_bytes_of_second(directory: Path) -> int:
    summaries(directory, [NOON_S] * 2)
    (file,) = day_files(directory)
    return len(file.read_bytes().splitlines(keepends=True)[1])


def test_chain_and_parts_go_on_over_many_files_and_openings(tmp_path: Path) -> None:
    for _ in range(4):
        summaries(tmp_path, [NOON_S] * 5, file_mib=400 / MIB)
    assert len(names(tmp_path)) > 10
    assert [record["seq"] for record in written(tmp_path)] == list(range(1, 21))
    assert verify(tmp_path).faults == []
    summaries(tmp_path, [NOON_S + DAY_S], file_mib=400 / MIB)
    assert names(tmp_path)[-1] == "2027-05-05.jsonl"


def test_a_record_longer_than_a_file_gets_one_of_its_own(tmp_path: Path) -> None:
    summaries(tmp_path, [NOON_S] * 3, file_mib=10 / MIB)
    assert len(names(tmp_path)) == 3


def test_a_run_that_begins_on_an_earlier_day_goes_on_in_the_newest_file(tmp_path: Path) -> None:
    summaries(tmp_path, [NOON_S])
    summaries(tmp_path, [NOON_S - DAY_S])
    assert names(tmp_path) == ["2027-05-04.jsonl"]
    assert tail(tmp_path).seq == 2


def test_a_journal_without_parts_is_gone_on_with(tmp_path: Path) -> None:
    summaries(tmp_path, [NOON_S])
    summaries(tmp_path, [NOON_S])
    assert names(tmp_path) == ["2027-05-04.jsonl"]
    assert verify(tmp_path).records == 2


# Cap and age


@pytest.mark.parametrize(("keep_bytes", "left"), [(4999, 3), (5000, 4), (5001, 4), (0, 1)])
def test_the_oldest_go_until_there_is_room_for_a_full_file(
    tmp_path: Path, keep_bytes: int, left: int
) -> None:
    """Four old days of 1000 bytes each, and a new one that may grow to 2000."""
    for day in range(1, 5):
        (tmp_path / f"2027-05-0{day}.jsonl").write_bytes(b"x" * 999 + b"\n")
        (tmp_path / f"2027-05-0{day}.torn").write_bytes(b"x")
    limits = {"file_mib": 2000 / MIB, "keep_mib": keep_bytes / MIB}
    summaries(tmp_path, [NOON_S + DAY_S], **limits)
    wanted = [f"2027-05-0{day}" for day in range(6 - left, 6)]
    assert names(tmp_path) == [f"{day}.jsonl" for day in wanted]
    assert sorted(file.stem for file in tmp_path.glob("*.torn")) == wanted[:-1]


@pytest.mark.parametrize(("keep_days", "left"), [(9, 2), (10, 3), (11, 3)])
def test_a_file_goes_by_the_age_of_the_one_that_followed_it(
    tmp_path: Path, keep_days: int, left: int
) -> None:
    """So the records of a start without a date stay as long as those behind them."""
    days = [NOON_S - 10 * DAY_S, NOON_S - 5 * DAY_S, NOON_S]
    host = {"keep_days": keep_days, "host_utc_s": lambda: NOON_S}
    summaries(tmp_path, [60.0], **host)
    assert names(tmp_path) == ["1970-01-01.jsonl"]
    summaries(tmp_path, days[:1], **host)
    summaries(tmp_path, days[1:2], **host)
    assert len(names(tmp_path)) == 3
    summaries(tmp_path, days[2:], **host)
    assert len(names(tmp_path)) == left + 1
    assert verify(tmp_path).faults == []


@pytest.mark.parametrize(
    ("record_days", "host_days"), [(4000, 0), (0, 4000)], ids=["receiver", "host"]
)
def test_one_clock_that_leaps_ahead_clears_nothing_away(
    tmp_path: Path, record_days: int, host_days: int
) -> None:
    for day in range(3):
        summaries(tmp_path, [NOON_S + day * DAY_S])
    summaries(
        tmp_path,
        [NOON_S + (3 + record_days) * DAY_S],
        keep_days=10,
        host_utc_s=lambda: NOON_S + host_days * DAY_S,
    )
    assert len(names(tmp_path)) == 4


def test_what_cannot_be_cleared_away_is_told_and_holds_up_no_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "2027-05-01.jsonl").write_bytes(b"x" * 999 + b"\n")

    def refused(_path: Path, missing_ok: bool = False) -> None:
        raise PermissionError(1, "Operation not permitted")

    journal = Journal(tmp_path, file_mib=2000 / MIB, keep_mib=0.0)
    with monkeypatch.context() as broken:
        broken.setattr(Path, "unlink", refused)
        journal.add(entry("summary", 0.0, NOON_S))
        assert eventually(lambda: "not permitted" in (journal.trouble or ""), 3.0)
        assert journal.unwritten == 0
    journal.add(entry("summary", 1.0, NOON_S))
    assert eventually(lambda: journal.trouble is None, 3.0)
    journal.close()
    assert names(tmp_path) == ["2027-05-04.jsonl"]


# The end, read backwards


@settings(deadline=None)
@given(st.binary(max_size=300), st.integers(1, 64), st.integers(1, 40))
def test_lines_backwards_are_the_lines(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, block: int, longest: int
) -> None:
    file = tmp_path_factory.mktemp("lines") / "file"
    content = content.replace(b"\x01", b"\n").replace(b"\x02", b"\n")
    file.write_bytes(content)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(journal_files, "BLOCK_BYTES", block)
        patch.setattr(journal_files, "LONGEST_LINE", longest)
        wanted = [line for line in content.split(b"\n") if len(line) <= longest]
        assert list(lines_backwards(file)) == wanted[::-1]
        assert last_line_at(file) == content.rfind(b"\n") + 1


@pytest.mark.parametrize(
    ("contents", "greatest"),
    [
        ([], 0),
        ([("summary", {**TOTALS, "interventions": 7}), ("inputs", {"held": {}})], 7),
        ([("summary", {"interventions": 0}), ("rung", {"intervention": 3})], 3),
        ([("rung", {"intervention": 3}), ("rung", {"intervention": None})], 3),
        ([("rung", {"intervention": 3}), ("summary", {"interventions": 0})], 0),
        ([("summary", {"interventions": 5}), ("summary", {"interventions": True})], 5),
        ([("summary", {"interventions": 5}), ("summary", {"interventions": "9"})], 5),
    ],
)
def test_the_last_record_that_tells_a_number_gives_the_greatest(
    tmp_path: Path, contents: list[tuple[str, dict[str, Any]]], greatest: int
) -> None:
    """Numbers only grow."""
    sealed_in(tmp_path / "2027-05-04.jsonl", *contents)
    again = Journal(tmp_path)
    assert again.next_intervention == greatest + 1
    again.close()
    assert tail(tmp_path).seq == len(contents)


def test_what_is_no_record_tells_nothing(tmp_path: Path) -> None:
    assert tail(tmp_path) == Tail()
    summaries(tmp_path, [NOON_S])
    file = tmp_path / "2027-05-04.jsonl"
    record = {"seq": 9, "kind": "summary", "interventions": 99, "utc": "2027-05-04T12:00:00Z"}
    damaged = sealed(record)[0].replace(b"99", b"98")
    file.write_bytes(file.read_bytes() + damaged)
    assert (tail(tmp_path).seq, tail(tmp_path).intervention) == (1, 0)
    file.write_bytes(file.read_bytes() + sealed({"kind": "x", "interventions": 7})[0])
    assert (tail(tmp_path).seq, tail(tmp_path).intervention) == (1, 0)


def test_a_torn_line_of_any_length_is_set_aside(tmp_path: Path) -> None:
    summaries(tmp_path, [NOON_S])
    file = tmp_path / "2027-05-04.jsonl"
    torn = b"\0" * (LONGEST_LINE + 100_000)
    file.write_bytes(file.read_bytes() + torn)
    journal = Journal(tmp_path)
    journal.close()
    assert journal.set_aside == {"file": "2027-05-04.torn", "bytes": len(torn)}
    assert (tmp_path / "2027-05-04.torn").read_bytes() == torn + b"\n"
    assert verify(tmp_path).records == 1


def test_a_torn_line_is_set_aside_from_the_newest_part(tmp_path: Path) -> None:
    summaries(tmp_path, [NOON_S] * 11, file_mib=10 / MIB)
    newest = tmp_path / "2027-05-04.11.jsonl"
    newest.write_bytes(newest.read_bytes()[:-9])
    journal = Journal(tmp_path)
    journal.close()
    assert journal.set_aside is not None
    assert journal.set_aside["file"] == "2027-05-04.11.torn"
    assert tail(tmp_path).seq == 10


def test_a_newest_file_that_cannot_be_gone_on_with_is_refused(tmp_path: Path) -> None:
    (tmp_path / "2027-05-04.jsonl").mkdir()
    for _ in range(2):
        with pytest.raises(BadInput, match=r"2027-05-04.jsonl: the journal cannot be written"):
            Journal(tmp_path)


@pytest.mark.parametrize("spare", [-1, 0, 1])
def test_a_record_is_no_longer_than_a_line_may_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, spare: int
) -> None:
    monkeypatch.setattr("fenceguard.journal.write.LONGEST_LINE", line_bytes(tmp_path) + spare)
    journal = Journal(tmp_path / "journal")
    journal.add(entry("summary", NOON_S, NOON_S))
    journal.close()
    assert journal.unwritten == (1 if spare < 0 else 0)


START_UP = """
import resource, sys
from pathlib import Path
from fenceguard.journal.write import Journal
import time
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
began_s = time.perf_counter()
journal = Journal(Path(sys.argv[1]))
after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
journal.close()
print(after - before, time.perf_counter() - began_s, journal.next_intervention)
"""


@pytest.mark.parametrize(
    "tells", ["in the last record", "only in the first", "before a torn end as long"]
)
def test_opening_a_long_day_takes_little_memory(tmp_path: Path, tells: str) -> None:
    """A file of more than 100 MiB; the process's own peak, in KiB."""
    common = {"utc": "2027-05-04T12:00:00Z", "mono_s": 1.0, "prev": ""}
    first = sealed({"seq": 1, **common, "kind": "rung", "intervention": 4})[0]
    filler = sealed({"seq": 2, **common, "kind": "inputs", "held": {}, "note": "x" * 700})[0]
    last = sealed({"seq": 3, **common, "kind": "summary", **TOTALS, "interventions": 4})[0]
    with (tmp_path / "2027-05-04.jsonl").open("wb") as file:
        file.write(first)
        for _ in range(110):
            file.write(bytes(MIB) if "torn" in tells else filler * (1 + MIB // len(filler)))
        if tells == "in the last record":
            file.write(last)
    assert (tmp_path / "2027-05-04.jsonl").stat().st_size > 100 * MIB
    done = subprocess.run(
        [sys.executable, "-c", START_UP, str(tmp_path)], capture_output=True, text=True, check=True
    )
    more_kib, _seconds, following = done.stdout.split()
    assert int(following) == 5
    assert int(more_kib) < 8 * 1024


def test_a_file_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    (tmp_path / "2027-05-04.jsonl").mkdir()
    with pytest.raises(BadInput, match=r"2027-05-04\.jsonl: cannot be read: Is a directory"):
        verify(tmp_path)


@pytest.mark.parametrize(
    ("kind", "content", "said"),
    [
        ("odd", {}, "unknown kind 'odd'"),
        ("stop", TOTALS, "stop record without reason"),
    ],
)
def test_a_record_that_does_not_tell_what_it_must(
    tmp_path: Path, kind: str, content: dict[str, Any], said: str
) -> None:
    summaries(tmp_path, [NOON_S])
    sealed_in(tmp_path / "2027-05-04.jsonl", (kind, content))
    assert verify(tmp_path).faults == [f"2027-05-04.jsonl:2: {said}"]


# Fences


def started(directory: Path, content: bytes | None = FENCE, **more: Any) -> Journal:
    journal = Journal(directory)
    if content is not None:
        journal.keep_fence(hashed(FENCE), content)
    journal.add(entry("start", 0.0, NOON_S, **more))
    journal.close()
    return journal


def test_a_fence_is_kept_once_as_it_was(tmp_path: Path) -> None:
    started(tmp_path)
    file = tmp_path / f"fence-{hashed(FENCE)}.geojson"
    assert file.read_bytes() == FENCE
    assert fence_bytes(tmp_path, hashed(FENCE)) == FENCE
    inode = file.stat().st_ino
    started(tmp_path)
    assert file.stat().st_ino == inode
    assert verify(tmp_path).faults == []
    assert not list(tmp_path.glob("*.part"))


@pytest.mark.parametrize("harm", ["missing", "damaged"])
def test_a_fence_that_is_missing_or_damaged_is_a_fault_and_mended(
    tmp_path: Path, harm: str
) -> None:
    started(tmp_path)
    file = tmp_path / f"fence-{hashed(FENCE)}.geojson"
    if harm == "missing":
        file.unlink()
        said = f"2027-05-04.jsonl:1: its fence {file.name} is not there"
    else:
        file.write_bytes(FENCE[:-1])
        said = f"{file.name}: not the fence that 2027-05-04.jsonl:1 names"
    assert fence_bytes(tmp_path, hashed(FENCE)) is None
    assert verify(tmp_path).faults == [said]
    started(tmp_path)
    assert verify(tmp_path).faults == []


def test_a_fence_is_on_the_disk_before_a_record_that_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or whoever is killed in between leaves a journal with a fault."""
    seen: list[bytes | None] = []
    append = AppendedFile.append

    def watched(file: AppendedFile, line: bytes) -> None:
        seen.append(fence_bytes(tmp_path, hashed(FENCE)))
        append(file, line)

    monkeypatch.setattr(AppendedFile, "append", watched)
    started(tmp_path)
    assert seen == [FENCE]


def test_a_fence_is_kept_while_there_is_nothing_else_to_write(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    journal.keep_fence(hashed(FENCE), FENCE)
    assert eventually(lambda: fence_bytes(tmp_path, hashed(FENCE)) == FENCE, 3.0)
    journal.close()


def test_a_fence_that_cannot_be_kept_is_told_and_holds_up_no_record(tmp_path: Path) -> None:
    in_the_way = tmp_path / f"fence-{hashed(FENCE)}.geojson"
    in_the_way.mkdir()
    journal = Journal(tmp_path)
    journal.keep_fence(hashed(FENCE), FENCE)
    journal.add(entry("summary", 0.0, NOON_S))
    assert eventually(lambda: "Is a directory" in (journal.trouble or ""), 3.0)
    assert journal.unwritten == 0
    in_the_way.rmdir()
    assert eventually(lambda: journal.trouble is None, 3.0)
    journal.close()
    assert fence_bytes(tmp_path, hashed(FENCE)) == FENCE


def test_a_fence_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / f"fence-{hashed(FENCE)}.geojson").mkdir()
    with pytest.raises(BadInput, match="cannot be read: Is a directory"):
        fence_bytes(tmp_path, hashed(FENCE))


# What reading needs


@pytest.mark.parametrize(
    "module", ["fenceguard.journal.read", "fenceguard.journal.verify", "fenceguard.recording.read"]
)
def test_reading_needs_none_of_the_heavy_libraries(module: str) -> None:
    code = f"import json, sys, {module}; print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.partition(".")[0] for name in json.loads(done.stdout)}
    assert "fenceguard" in loaded
    assert not loaded & {"numpy", "shapely", "pydantic", "yaml", "rich", "gpiozero", "serial"}
