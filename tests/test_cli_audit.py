"""`fenceguard audit`, as a process, on the journal of a replay; and the demo as a whole."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from fenceguard.drill import demo
from tests.support.command import COLUMNS, DEMO, command, for_people, refused, result
from tests.support.lawns import write_settings
from tests.support.made import QUICK, RATE_HZ, with_a_float


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    return write_settings(tmp_path, **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


def test_an_audit_without_a_journal(tmp_path: Path) -> None:
    said = refused("audit", "list", "--journal", tmp_path / "journal")
    assert f"{tmp_path}/journal: no such directory; name the one the journal was" in said
    said = refused("audit", "verify", "--journal", tmp_path)
    assert f"{tmp_path}: no journal in it; name the one it was written to" in said


def test_an_audit_of_an_intervention_that_is_not_there(
    tmp_path: Path, settings: Path, log: Path
) -> None:
    journal = tmp_path / "journal"
    assert command("replay", log, "--settings", settings, "--journal", journal).status == 0
    said = refused("audit", "show", "7", "--journal", journal)
    assert said.endswith(f"{journal}: no intervention 7; there are 1 to 1")


def test_replay_journal_and_audit_agree(log: Path, settings: Path, tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    words = ("replay", log, "--settings", settings)
    outcome = result(*words, "--journal", journal)
    assert outcome == result(*words)
    verdict = result("audit", "verify", "--journal", journal)
    assert (verdict["faults"], verdict["torn"]) == ([], None)
    assert (
        result("audit", "list", "--journal", journal)["interventions"] == (outcome["interventions"])
    )


def test_a_second_replay_into_a_journal_goes_on_numbering(
    log: Path, settings: Path, tmp_path: Path
) -> None:
    journal = tmp_path / "journal"
    words = ("replay", log, "--settings", settings, "--journal", journal)
    assert [result(*words)["interventions"][0]["id"] for _ in range(2)] == [1, 2]
    assert result("audit", "verify", "--journal", journal)["faults"] == []
    assert "2 runs, from " in for_people("audit", "list", "--journal", journal)


def test_a_changed_record_makes_verify_fail(log: Path, settings: Path, tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    result("replay", log, "--settings", settings, "--journal", journal)
    (file,) = journal.glob("*.jsonl")
    file.write_bytes(file.read_bytes().replace(b"float", b"fixed", 1))
    done = command("audit", "verify", "--journal", journal)
    assert (done.status, done.err) == (1, "")
    assert "not a record as it was written" in done.out
    assert max(map(len, done.out.splitlines())) <= COLUMNS


def test_the_demo(tmp_path: Path) -> None:
    """Against the episodes that it was made with."""
    journal = tmp_path / "journal"
    words = ("replay", DEMO / "mowing.nmea.gz", "--settings", DEMO / "settings.yaml")
    outcome = result(*words, "--journal", journal)
    silent_s = demo.SILENCE_S[1] - demo.SILENCE_S[0]
    assert outcome["epochs"] == (300 - silent_s) * RATE_HZ
    assert outcome["sentences"] == 3 * outcome["epochs"]
    assert outcome["rejected"] == {}
    assert [
        (one["cause"]["monitor"], one["cause"]["limit"], one["rung"])
        for one in outcome["interventions"]
    ] == [
        ("solution", "fixed", "blade_off"),
        ("correction_age", 10.0, "blade_off"),
        ("silence", 0.5, "halted"),
        ("approach", 0.6, "halted"),
    ]
    began_s = [
        (datetime.fromisoformat(one["begin_utc"]).timestamp() - demo.FIRST_UTC_S)
        - demo.EPISODES_FROM_S
        for one in outcome["interventions"]
    ]
    assert began_s[0] == demo.FLOAT_EPISODE_S[0]
    assert began_s[1] == pytest.approx(demo.OUTAGE_S[0] + 10.0 - 0.6, abs=0.21)
    assert 0.3 <= began_s[2] - demo.SILENCE_S[0] <= 0.5
    assert began_s[3] > demo.APPROACH_AT_S
    for one in outcome["interventions"]:
        span = timedelta(seconds=one["duration_s"])
        ended = datetime.fromisoformat(one["begin_utc"]) + span
        assert ended.timestamp() == pytest.approx(
            datetime.fromisoformat(one["end_utc"]).timestamp(), abs=0.02
        )
    assert "4 interventions" in for_people(*words)
    assert result("audit", "verify", "--journal", journal)["faults"] == []
    assert (
        result("audit", "list", "--journal", journal)["interventions"] == (outcome["interventions"])
    )
    assert "4 interventions" in for_people("audit", "list", "--journal", journal)
    assert "no fault" in for_people("audit", "verify", "--journal", journal)
    for number, text in enumerate(
        (
            "the solution was float; fixed or better is needed.",
            "the corrections were 10.2 s old; 10 s are allowed.",
            "no valid epoch had come for",
            "s were left until braking would have come too late; 0 s are needed.",
        ),
        start=1,
    ):
        shown = for_people("audit", "show", str(number), "--journal", journal)
        assert text in " ".join(shown.split())
