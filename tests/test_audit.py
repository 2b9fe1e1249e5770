"""`audit list` and `audit show`, of a journal that a replay wrote."""

import json
from pathlib import Path

import pytest

from fenceguard.cli.common import intervention_dict
from fenceguard.journal.read import entries
from fenceguard.journal.records import Entry, Record
from fenceguard.journal.story import Story
from fenceguard.journal.write import Journal
from fenceguard.replay import Outcome
from tests.support.audits import COLUMNS, Asker, only_file, played_in
from tests.support.made import BEGIN
from tests.support.records import SPENT_S, start, stop, summary


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Outcome]:
    return played_in(tmp_path_factory.mktemp("played"))


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Asker:
    return Asker(capsys, monkeypatch)


def test_the_story_agrees_with_the_replay(played: tuple[Path, Outcome]) -> None:
    journal, outcome = played
    story = Story()
    for entry in entries(journal):
        story.add(entry)
    assert len(story.runs) == 1
    assert len(story.interventions) == 2
    seen, told = (
        [intervention_dict(one) for one in each.interventions] for each in (story, outcome.story)
    )
    assert seen == told
    assert [change for one in story.interventions for _, change in one.changes] == [
        change for _, change in outcome.changes[3:]
    ]
    ended, still_open = story.interventions
    assert ended.ended is not None
    assert still_open.ended is None
    assert still_open.run.stop is not None
    assert still_open.run.stop.reason == "end of recording"


def test_show_tells_cause_sequel_place_and_release(
    ask: Asker, played: tuple[Path, Outcome]
) -> None:
    """The numbers follow from the recording.

    The float lasts from 6 to 7 s. The outline reaches hypot(0.35, 0.25) = 0.43 m from the antenna,
    which stands 5 m inside. Speed says that it stands, so it is known to be within the bound of the
    last fix: sqrt(-2 ln 0.0001) = 4.292 (Rayleigh distribution) times a σ of 0.02 m, times an
    optimism of 1.2, and a floor of 0.01 m.
    """
    status, out, err = ask("show", "1", "--journal", played[0])
    assert (status, err) == (0, "")
    joined = " ".join(out.split())
    for text in (
        f"Intervention 1, {BEGIN:%Y-%m-%d} 06:00:06.000 UTC, 2.6 s, down to blade_off",
        "What came first\n  the solution was float; fixed or better is needed.\n",
        "So the blade was stopped, and the mower slowed.",
        "after 2.0 s the blade could start again, after its warning.",
        "after 2.6 s everything was given back.",
        "the mower was 4.57 m from the line of lawn;",
        "but the mower was only known to be within 0.11 m of where the reckoning led, so 4.46 m of "
        "room were left.",
        "nothing demanded blade_off for 1.0 s: up to slowed.",
        "nothing demanded slowed for 0.6 s: up to full.",
    ):
        assert text in out or text in joined
    assert max(map(len, out.splitlines())) <= 80
    status, out, err = ask("show", "2", "--journal", played[0])
    assert (status, err) == (0, "")
    assert "the run stopped (end of recording) before it was let go." in out


def test_show_and_list_as_json(ask: Asker, played: tuple[Path, Outcome]) -> None:
    journal, outcome = played
    status, out, _ = ask("list", "--journal", journal, "--json")
    assert status == 0
    told = [intervention_dict(one) for one in outcome.story.interventions]
    assert json.loads(out) == {"interventions": told, "never_full": []}
    status, out, _ = ask("show", "1", "--journal", journal, "--json")
    assert status == 0
    content = json.loads(out)
    assert {key: content[key] for key in told[0]} == told[0]
    assert [change["rung"] for change in content["changes"]] == ["blade_off", "slowed", "full"]
    assert [change["was"] for change in content["changes"]] == ["full", "blade_off", "slowed"]
    assert [change["utc"][-13:] for change in content["changes"]] == [
        "06:00:06.000Z",
        "06:00:08.000Z",
        "06:00:08.600Z",
    ]
    assert content["changes"][0]["findings"][0] == told[0]["cause"]
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


# Runs that never reached full


def written(directory: Path, *records: Record, every_s: float = 30.0) -> Path:
    """A journal of records, one each so many seconds."""
    journal = Journal(directory / "journal")
    for number, record in enumerate(records):
        after_s = number * every_s
        journal.add(Entry(after_s, BEGIN.timestamp() + after_s, record))
    journal.close()
    return directory / "journal"


HELD_S = {"arming": 4.0, "hdop": 75.25}
FULL_AT_LAST_S = {**SPENT_S, "full": 0.5}
NEVER = (
    "The run of 2031-03-07 06:00:00.000 UTC never reached full in 1 min 30 s. It was held by: "
    "hdop 1 min 15 s, arming 4.0 s."
)


def test_a_run_that_never_reached_full_is_told_with_what_held_it(
    ask: Asker, tmp_path: Path
) -> None:
    """By all its time, not by how it ended."""
    early = summary(held_s={"arming": 4.0, "hdop": 50.0})
    journal = written(tmp_path, start(), early, early, stop(held_s=HELD_S))
    status, out, err = ask("list", "--journal", journal)
    assert (status, err) == (0, "")
    assert "No interventions.\n" in out
    assert " ".join(out.split()).endswith(NEVER)
    assert max(map(len, out.splitlines())) <= COLUMNS
    status, out, _ = ask("list", "--journal", journal, "--json")
    assert json.loads(out) == {
        "interventions": [],
        "never_full": [
            {"begin_utc": "2031-03-07T06:00:00.000Z", "lasted_s": 90.0, "held_s": HELD_S}
        ],
    }


def test_so_is_one_whose_journal_just_ends(ask: Asker, tmp_path: Path) -> None:
    journal = written(tmp_path, start(), summary(held_s=HELD_S))
    assert "never reached full in 30.0 s" in ask("list", "--journal", journal)[1]


def test_one_that_reached_full_is_not(ask: Asker, tmp_path: Path) -> None:
    reached = stop(held_s=HELD_S, time_in_rung_s=FULL_AT_LAST_S)
    journal = written(tmp_path, start(), stop(held_s=HELD_S), start(), reached)
    out = ask("list", "--journal", journal)[1]
    assert out.startswith("2 runs, from ")
    assert out.count("never reached full") == 1


def test_lines_that_cannot_be_read_are_said(ask: Asker, tmp_path: Path) -> None:
    journal = written(tmp_path, start(), summary(), stop())
    file = only_file(journal)
    file.write_bytes(file.read_bytes().replace(b'"summary"', b'"summery"'))
    status, out, err = ask("list", "--journal", journal)
    assert status == 0
    assert out.startswith("1 run, ")
    assert err == (
        f"fenceguard audit: 1 line of {journal} cannot be read and may be missing here; audit "
        "verify tells which\n"
    )


def test_a_journal_without_a_whole_record(ask: Asker, tmp_path: Path) -> None:
    (tmp_path / "2031-03-07.jsonl").write_bytes(b"{}\n")
    status, out, err = ask("list", "--journal", tmp_path)
    assert (status, out) == (2, "")
    assert "1 line of" in err
    assert err.endswith(f"{tmp_path}: no whole record in it; audit verify tells what is wrong\n")
