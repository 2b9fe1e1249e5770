"""`audit verify`: what it finds in a journal that was spoiled."""

import json
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.cli import main
from fenceguard.journal.read import sealed
from fenceguard.replay import Outcome
from tests.support.audits import Asker, only_file, played_in


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Outcome]:
    return played_in(tmp_path_factory.mktemp("played"))


@pytest.fixture
def journal(played: tuple[Path, Outcome], tmp_path: Path) -> Path:
    """A copy of it to spoil."""
    return shutil.copytree(played[0], tmp_path / "journal")


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Asker:
    return Asker(capsys, monkeypatch)


def test_a_good_journal(ask: Asker, journal: Path) -> None:
    count = len(only_file(journal).read_bytes().splitlines())
    assert ask("verify", "--journal", journal) == (0, f"{count} records in 1 file: no fault\n", "")
    status, out, _ = ask("verify", "--journal", journal, "--json")
    verdict = json.loads(out)
    assert status == 0
    assert (verdict["records"], verdict["files"]) == (count, 1)
    assert (verdict["faults"], verdict["torn"]) == ([], None)


@given(data=st.data())
def test_any_byte_changed_is_a_fault(
    tmp_path_factory: pytest.TempPathFactory, played: tuple[Path, Outcome], data: st.DataObject
) -> None:
    """Of every line but the last, whose loss looks like a power cut only if its end is gone."""
    content = bytearray(only_file(played[0]).read_bytes())
    at = data.draw(st.integers(0, len(content) - 2))
    content[at] ^= data.draw(st.integers(1, 255))
    directory = tmp_path_factory.mktemp("changed")
    (directory / only_file(played[0]).name).write_bytes(content)
    assert main(["audit", "verify", "--journal", str(directory)]) == 1


def test_a_changed_value_is_named_by_its_line(ask: Asker, journal: Path) -> None:
    file = only_file(journal)
    lines = file.read_bytes().splitlines(keepends=True)
    assert b'"value": "float"' in lines[4]
    lines[4] = lines[4].replace(b'"value": "float"', b'"value": "fixed"')
    file.write_bytes(b"".join(lines))
    status, out, _ = ask("verify", "--journal", journal)
    assert status == 1
    assert out == (
        f"{file.name}:5: not a record as it was written\n"
        f"{len(lines) - 1} records in 1 file: 1 fault\n"
    )
    assert ask("list", "--journal", journal)[0] == 0


def test_a_changed_record_with_a_new_sum_breaks_the_chain(ask: Asker, journal: Path) -> None:
    file = only_file(journal)
    lines = file.read_bytes().splitlines(keepends=True)
    record = json.loads(lines[5])
    del record["sum"]
    record["where"]["clearance_m"] = 9.0
    lines[5] = sealed(record)[0]
    file.write_bytes(b"".join(lines))
    status, out, _ = ask("verify", "--journal", journal)
    assert status == 1
    assert f"{file.name}:7: does not continue the record before it" in out


def test_earlier_records_that_are_not_there_are_said_and_are_no_fault(
    ask: Asker, journal: Path
) -> None:
    """Clearing away old days is the user's right; that they are missing must still show."""
    file = only_file(journal)
    file.write_bytes(b"".join(file.read_bytes().splitlines(keepends=True)[2:]))
    status, out, _ = ask("verify", "--journal", journal)
    assert status == 0
    assert f"{file.name}:1: begins with record 3; the earlier ones are not there" in out


@pytest.mark.parametrize("removed", range(1, 8))
def test_a_removed_line_is_a_fault(ask: Asker, journal: Path, removed: int) -> None:
    """Any but the first, which may have been cleared away, and the last: nothing continues it."""
    file = only_file(journal)
    lines = file.read_bytes().splitlines(keepends=True)
    del lines[removed]
    file.write_bytes(b"".join(lines))
    status, out, _ = ask("verify", "--journal", journal)
    assert status == 1
    assert f"{file.name}:{removed + 1}: " in out
    status, out, _ = ask("verify", "--journal", journal, "--json")
    assert status == 1
    assert json.loads(out)["faults"]


@pytest.mark.parametrize("first", range(8))
def test_swapped_lines_are_a_fault(ask: Asker, journal: Path, first: int) -> None:
    file = only_file(journal)
    lines = file.read_bytes().splitlines(keepends=True)
    lines[first], lines[first + 1] = lines[first + 1], lines[first]
    file.write_bytes(b"".join(lines))
    status, out, _ = ask("verify", "--journal", journal)
    assert status == 1
    assert "does not continue the record before it" in out


@pytest.mark.parametrize("left", [1, 40])
def test_a_torn_last_line_is_said_and_is_no_fault(ask: Asker, journal: Path, left: int) -> None:
    file = only_file(journal)
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines[:-1]) + lines[-1][:left])
    status, out, err = ask("verify", "--journal", journal)
    assert (status, err) == (0, "")
    assert f"{file.name}:{len(lines)}: a torn last line of {left} byte" in out
    assert "every record before it is whole" in " ".join(out.split())
    assert f"{len(lines) - 1} records in 1 file: no fault" in out
    assert ask("list", "--journal", journal)[0] == 0


def test_a_torn_last_line_does_not_hide_a_fault_before_it(ask: Asker, journal: Path) -> None:
    file = only_file(journal)
    lines = file.read_bytes().splitlines(keepends=True)
    del lines[3]
    file.write_bytes(b"".join(lines[:-1]) + lines[-1][:40])
    status, out, _ = ask("verify", "--journal", journal)
    assert status == 1
    assert "a torn last line" in out
    assert "is whole" not in out


def test_a_torn_line_in_the_middle_is_a_fault(ask: Asker, journal: Path) -> None:
    file = only_file(journal)
    lines = file.read_bytes().splitlines(keepends=True)
    lines[4] = lines[4][:40] + b"\n"
    file.write_bytes(b"".join(lines))
    status, out, _ = ask("verify", "--journal", journal)
    assert status == 1
    assert f"{file.name}:5: not a record as it was written" in out
