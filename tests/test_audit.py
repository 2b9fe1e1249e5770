"""Why it stopped: interventions from records, in plain words with their numbers, and `verify`."""

import json
from pathlib import Path
from typing import Any

import pytest
from fenceguard.audit.interventions import Intervention, history
from hypothesis import given
from hypothesis import strategies as st

from fenceguard.audit.explain import TAKEN, explain, reason
from fenceguard.cli import main
from fenceguard.journal.read import Record, records, sealed
from fenceguard.journal.write import Journal
from fenceguard.judgement.monitors import MONITORS
from fenceguard.replay import Outcome, Replay
from fenceguard.settings import load
from tests.support.lawns import write_settings
from tests.support.made import BEGIN, FIXED, FLOAT, QUICK, standing

PLACE = {
    "clearance_m": 1.25,
    "nearest": "pond",
    "bound_m": 0.1,
    "room_m": 1.15,
    "settings_hash": "aaaa",
    "fence_hash": "bbbb",
    "epoch": {"lat": 50.0000451, "lon": 10.0000697},
}
OLD = {
    "monitor": "correction_age",
    "value": 10.2,
    "limit": 10.0,
    "unit": "s",
    "rung": "slowed",
    "note": "",
}
NARROW = {
    "monitor": "room",
    "value": -0.02,
    "limit": 0.05,
    "unit": "m",
    "rung": "halted",
    "note": "",
}


class Told:
    """Records as a run writes them, one call for each."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.now_s = 0.0
        self.rung = "halted"
        self.open: int | None = None

    def _add(self, kind: str, **evidence: Any) -> None:
        utc = f"2031-03-07T06:{int(self.now_s) // 60:02d}:{self.now_s % 60:06.3f}Z"
        number = len(self.records) + 1
        self.records.append(
            {"seq": number, "utc": utc, "mono_s": self.now_s, "kind": kind, **evidence}
        )

    def after(self, seconds: float) -> None:
        self.now_s += seconds

    def start(self) -> None:
        self.open, self.rung = None, "halted"
        run = {"version": "1.2.3", "mode": "run", "source": "/dev/ttyACM0", "rung": "halted"}
        self._add("start", **run, settings={"limits": {}})

    def change(self, to: str, why: str, *findings: dict[str, Any], clear_s: float = 0.0) -> None:
        evidence: dict[str, Any] = {"from": self.rung, "to": to, "why": why}
        evidence["findings"] = list(findings)
        evidence["clear_s"] = clear_s if why == "clear" else None
        self.rung = to
        self._add("rung", **evidence, intervention=self.open, **PLACE)

    def begin(self, number: int, to: str, *findings: dict[str, Any]) -> None:
        self.open = number
        self.change(to, "demand", *findings)
        cause = max(findings, key=lambda finding: list(TAKEN).index(finding["rung"]))
        evidence = {"id": number, "rung": to, "cause": cause, "findings": list(findings)}
        self._add("intervention_begun", **evidence, **PLACE)

    def end(self, duration_s: float) -> None:
        self._add("intervention_ended", id=self.open, duration_s=duration_s, **PLACE)
        self.open = None

    def stop(self, why: str) -> None:
        self._add("stop", reason=why, rung=self.rung)


@pytest.fixture
def told() -> Told:
    told = Told()
    told.start()
    for to, clear_s in (("blade_off", 10.0), ("slowed", 5.0), ("full", 3.0)):
        told.after(clear_s)
        told.change(to, "clear", clear_s=clear_s)
    told.after(12.0)
    return told


def only(told: Told) -> Intervention:
    (one,) = history(told.records).interventions
    return one


def said(one: Intervention) -> str:
    return "\n".join(explain(one))


# Hand-made records


def test_from_full_to_full(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.after(2.5)
    told.change("halted", "demand", NARROW)
    for to, clear_s in (("blade_off", 10.0), ("slowed", 5.0), ("full", 3.25)):
        told.after(clear_s)
        told.change(to, "clear", clear_s=clear_s)
    told.end(20.75)
    one = only(told)
    assert (one.id, one.rung, one.duration_s) == (1, "halted", 20.75)
    assert [change["to"] for change in one.changes] == [
        "slowed",
        "halted",
        "blade_off",
        "slowed",
        "full",
    ]
    assert explain(one) == [
        "Intervention 1, 2031-03-07 06:00:30.000 UTC, 20.8 s, down to halted",
        "fenceguard 1.2.3, run of /dev/ttyACM0",
        "settings aaaa, fence bbbb",
        "",
        "What came first",
        "  the corrections were 10.2 s old; 10 s are allowed.",
        "  So the mower was slowed.",
        "",
        "What followed",
        "  after 2.5 s drive and blade were stopped: -0.02 m of room were left to the fence with "
        "the error at its worst; 0.05 m are needed.",
        "  after 12.5 s it could drive again, slowly and without the blade.",
        "  after 17.5 s the blade could start again, after its warning.",
        "  after 20.8 s everything was given back.",
        "",
        "Where",
        "  the antenna was at 50.0000451, 10.0000697 (WGS 84);",
        "  the mower was 1.25 m from the line of pond;",
        "  the position could be 0.10 m off, so 1.15 m of room were left.",
        "",
        "What let it go",
        "  nothing demanded halted for 10.0 s: up to blade_off.",
        "  nothing demanded blade_off for 5.0 s: up to slowed.",
        "  nothing demanded slowed for 3.2 s: up to full.",
    ]


def test_the_way_up_after_a_start_is_no_intervention(told: Told) -> None:
    told.stop("SIGTERM")
    seen = history(told.records)
    assert seen.interventions == []
    assert (seen.runs, seen.first_utc, seen.last_utc) == (
        1,
        "2031-03-07T06:00:00.000Z",
        "2031-03-07T06:00:30.000Z",
    )


def test_the_most_severe_cause_is_named_first_and_the_others_with_it(told: Told) -> None:
    told.begin(1, "halted", OLD, NARROW)
    lines = explain(only(told))
    assert lines[5].startswith("  -0.02 m of room were left to the fence")
    assert lines[6] == "  With it: the corrections were 10.2 s old; 10 s are allowed."
    assert lines[7] == "  So drive and blade were stopped."


def test_still_open_at_the_stop(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    told.after(1.0)
    told.stop("SIGTERM")
    one = only(told)
    assert (one.ended, one.duration_s) == (None, None)
    assert one.stopped is told.records[-1]
    assert explain(one)[0].endswith("not ended, down to slowed")
    assert explain(one)[-1] == "  the run stopped (SIGTERM) before it was let go."
    assert "What followed\n  nothing more was written." in said(one)


def test_still_open_at_the_end_of_the_journal(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    one = only(told)
    assert (one.ended, one.stopped) == (None, None)
    assert explain(one)[-1] == "  the journal of that run ends before it was let go."


def test_still_open_when_a_new_run_starts(told: Told) -> None:
    told.begin(4, "slowed", OLD)
    told.now_s = 0.0
    told.start()
    told.change("blade_off", "clear", clear_s=10.0)
    told.change("slowed", "clear", clear_s=5.0)
    told.change("full", "clear", clear_s=3.0)
    told.begin(5, "halted", NARROW)
    told.stop("SIGTERM")
    seen = history(told.records)
    assert seen.runs == 2
    before, after = seen.interventions
    assert (before.id, before.rung, len(before.changes), before.stopped) == (4, "slowed", 1, None)
    assert explain(before)[-1] == "  the journal of that run ends before it was let go."
    assert (after.id, after.rung, len(after.changes)) == (5, "halted", 1)
    assert before.start is told.records[0]
    assert after.start is told.records[6]


def test_a_reset_by_a_person(told: Told) -> None:
    told.begin(1, "locked", {**NARROW, "rung": "locked"})
    told.after(61.0)
    told.change("halted", "reset")
    for to, clear_s in (("blade_off", 10.0), ("slowed", 5.0), ("full", 3.0)):
        told.after(clear_s)
        told.change(to, "clear", clear_s=clear_s)
    told.end(79.0)
    text = said(only(told))
    assert "1 min 19 s, down to locked" in text
    assert "So drive and blade were stopped until a person resets." in text
    assert "after 61.0 s a person reset it; drive and blade stayed stopped." in text
    assert "What let it go\n  a person reset it: from locked to halted.\n" in text


def test_an_unknown_value_is_told_with_its_note(told: Told) -> None:
    unknown = {**OLD, "value": None, "note": "a corrected solution without a correction age"}
    told.begin(1, "slowed", unknown)
    assert "correction_age was unknown: a corrected solution without a correction age." in said(
        only(told)
    )


def test_a_place_that_is_not_known(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.records[-1] = {**told.records[-1], "epoch": None, "clearance_m": None}
    assert "Where\n  the position was unknown." in said(only(told))


def test_a_place_of_unknown_bound(told: Told) -> None:
    told.begin(1, "slowed", OLD)
    told.records[-1] = {**told.records[-1], "bound_m": None, "room_m": None}
    assert "how far off that could be was unknown." in said(only(told))


@pytest.mark.parametrize(
    ("clearance_m", "text"), [(0.3, "0.30 m from the line"), (-0.3, "0.30 m past the line")]
)
def test_inside_and_past_the_fence(told: Told, clearance_m: float, text: str) -> None:
    told.begin(1, "slowed", OLD)
    told.records[-1] = {**told.records[-1], "clearance_m": clearance_m}
    assert f"the mower was {text} of pond;" in said(only(told))


@pytest.mark.parametrize("monitor", [*(one.name for one in MONITORS), "another"])
def test_every_monitor_tells_value_and_limit(monitor: str) -> None:
    words = {"solution": ("float", "fixed"), "station": ("0009", "accepted")}
    value, limit = words.get(monitor, (7.125, 8.25))
    finding = {"monitor": monitor, "value": value, "limit": limit, "unit": "m", "note": ""}
    assert str(value) in reason(finding)
    assert str(limit) in reason(finding)


@pytest.mark.parametrize("lost", range(11))
def test_a_lost_record_leaves_the_others_told(told: Told, lost: int) -> None:
    """As when one is damaged: what is left must be told, and told of the right intervention."""
    told.begin(1, "slowed", OLD)
    told.change("full", "clear", clear_s=2.0)
    told.end(2.0)
    told.begin(2, "halted", NARROW)
    told.stop("SIGTERM")
    del told.records[lost]
    seen = history(told.records)
    for one in seen.interventions:
        assert "What let it go" in said(one)
        assert one.rung == ("slowed" if one.id == 1 else "halted")
        assert {change["intervention"] for change in one.changes} <= {one.id}
        assert one.ended is None or one.ended["id"] == one.id
        assert one.stopped is None or one.id == 2
    begun = [record["id"] for record in told.records if record["kind"] == "intervention_begun"]
    assert [one.id for one in seen.interventions] == begun


# A journal that a replay wrote


def float_again(time_s: float) -> int:
    return FLOAT if 6.0 <= time_s < 7.0 or time_s >= 12.0 else FIXED


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Outcome]:
    """A journal with one intervention that ended and one that was open at the stop."""
    directory = tmp_path_factory.mktemp("played")
    log = directory / "standing.nmea"
    log.write_bytes(standing(14.0, float_again))
    journal = Journal(directory / "journal")
    outcome = Replay(load(write_settings(directory, **QUICK)), journal=journal).run([str(log)])
    journal.close()
    return directory / "journal", outcome


@pytest.fixture
def journal(played: tuple[Path, Outcome], tmp_path: Path) -> Path:
    """A copy of it to spoil."""
    (written,) = played[0].glob("*.jsonl")
    (tmp_path / "journal").mkdir()
    (tmp_path / "journal" / written.name).write_bytes(written.read_bytes())
    return tmp_path / "journal"


def only_file(journal: Path) -> Path:
    (file,) = journal.glob("*.jsonl")
    return file


class Asker:
    """Asks the command: exit status, standard output and standard error."""

    def __init__(self, capsys: pytest.CaptureFixture[str], patch: pytest.MonkeyPatch) -> None:
        self._capsys = capsys
        patch.setenv("COLUMNS", "80")

    def __call__(self, *words: str | Path) -> tuple[int, str, str]:
        status = main(["audit", *map(str, words)])
        out, err = self._capsys.readouterr()
        return status, out, err


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Asker:
    return Asker(capsys, monkeypatch)


def test_history_agrees_with_the_replay(played: tuple[Path, Outcome]) -> None:
    journal, outcome = played
    seen = history(records(journal))
    assert seen.runs == 1
    assert len(seen.interventions) == len(outcome.interventions) == 2
    for one, told in zip(seen.interventions, outcome.interventions, strict=True):
        assert (one.id, one.rung, one.duration_s) == (told["id"], told["rung"], told["duration_s"])
        assert one.begun["cause"] == told["cause"]
        assert one.begun["utc"] == told["begin_utc"]
    ended, still_open = seen.interventions
    assert ended.ended is not None
    assert still_open.stopped is not None
    assert still_open.stopped["reason"] == "end of recording"


def test_show_tells_cause_sequel_place_and_release(
    ask: Asker, played: tuple[Path, Outcome]
) -> None:
    """The numbers follow from the recording.

    The float lasts from 6 to 7 s. The outline reaches hypot(0.35, 0.25) = 0.43 m from the antenna,
    which stands 5 m inside. The radius that holds 0.9999 of a plane normal error of 0.5 m per axis
    is 0.5 * sqrt(-2 ln 0.0001) = 2.146 m (Rayleigh distribution), times an HDOP of 0.6, times an
    optimism of 1.5.
    """
    status, out, err = ask("show", "1", "--journal", played[0])
    assert (status, err) == (0, "")
    for text in (
        f"Intervention 1, {BEGIN:%Y-%m-%d} 06:00:06.000 UTC, 2.6 s, down to blade_off",
        "What came first\n  the solution was float; fixed or better is needed.\n",
        "With it: the position could be 1.931 m off; 0.3 m are allowed.",
        "So the blade was stopped, and the mower slowed.",
        "after 2.0 s the blade could start again, after its warning.",
        "after 2.6 s everything was given back.",
        "the mower was 4.57 m from the line of lawn;",
        "the position could be 1.93 m off, so 2.64 m of room were left.",
        "nothing demanded blade_off for 1.0 s: up to slowed.",
        "nothing demanded slowed for 0.6 s: up to full.",
    ):
        assert text in out
    assert max(map(len, out.splitlines())) <= 80
    status, out, err = ask("show", "2", "--journal", played[0])
    assert (status, err) == (0, "")
    assert "the run stopped (end of recording) before it was let go." in out


def test_show_and_list_as_json(ask: Asker, played: tuple[Path, Outcome]) -> None:
    journal, outcome = played
    status, out, _ = ask("list", "--journal", journal, "--json")
    assert status == 0
    assert json.loads(out) == {"interventions": outcome.interventions}
    status, out, _ = ask("show", "1", "--journal", journal, "--json")
    assert status == 0
    content = json.loads(out)
    assert {key: content[key] for key in outcome.interventions[0]} == outcome.interventions[0]
    assert [change["to"] for change in content["changes"]] == ["blade_off", "slowed", "full"]
    assert "  So the blade was stopped, and the mower slowed." in content["explanation"]


def test_list_for_people(ask: Asker, played: tuple[Path, Outcome]) -> None:
    status, out, err = ask("list", "--journal", played[0])
    assert (status, err) == (0, "")
    assert out.startswith("1 run, from 2031-03-07T06:00:00.000Z to 2031-03-07T06:00:13.800Z\n")
    assert "2 interventions" in out
    assert "not ended" in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_journal_without_interventions(
    ask: Asker, tmp_path: Path, played: tuple[Path, Outcome]
) -> None:
    first = only_file(played[0]).read_bytes().splitlines(keepends=True)[0]
    (tmp_path / "2031-03-07.jsonl").write_bytes(first)
    assert ask("list", "--journal", tmp_path)[:2] == (
        0,
        "1 run, from 2031-03-07T06:00:00.000Z to 2031-03-07T06:00:00.000Z\nNo interventions.\n",
    )
    status, _, err = ask("show", "1", "--journal", tmp_path)
    assert status == 2
    assert err.endswith("no intervention 1; there are none\n")


@pytest.mark.parametrize("wanted", ["3", "0"])
def test_an_intervention_that_is_not_there(
    ask: Asker, played: tuple[Path, Outcome], wanted: str
) -> None:
    status, out, err = ask("show", wanted, "--journal", played[0])
    assert (status, out) == (2, "")
    assert err == f"fenceguard audit: {played[0]}: no intervention {wanted}; there are 1 to 2\n"


@pytest.mark.parametrize("question", [("list",), ("show", "1"), ("verify",)])
def test_no_journal(ask: Asker, tmp_path: Path, question: tuple[str, ...]) -> None:
    status, out, err = ask(*question, "--journal", tmp_path / "nowhere")
    assert (status, out) == (2, "")
    assert f"{tmp_path}/nowhere: no such directory; name the one the journal" in err
    status, out, err = ask(*question, "--journal", tmp_path)
    assert (status, out) == (2, "")
    assert f"{tmp_path}: no journal in it; name the one it was written to" in err


# What verify finds


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
    lines[5] = lines[5].replace(b'"value": "float"', b'"value": "fixed"')
    file.write_bytes(b"".join(lines))
    status, out, _ = ask("verify", "--journal", journal)
    assert status == 1
    assert out == (
        f"{file.name}:6: not a record as it was written\n"
        f"{len(lines) - 1} records in 1 file: 1 fault\n"
    )
    assert ask("list", "--journal", journal)[0] == 0


def test_a_changed_record_with_a_new_sum_breaks_the_chain(ask: Asker, journal: Path) -> None:
    file = only_file(journal)
    lines = file.read_bytes().splitlines(keepends=True)
    record = json.loads(lines[5])
    del record["sum"]
    record["clearance_m"] = 9.0
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


@pytest.mark.parametrize("removed", range(1, 9))
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


@pytest.mark.parametrize("first", range(9))
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
