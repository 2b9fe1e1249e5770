"""`audit watched`: what monitors that only watch would have done."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from fenceguard.cli import main
from fenceguard.journal.read import entries
from fenceguard.journal.records import Watched, plain
from tests.support.lawns import write_settings
from tests.support.made import BEGIN, QUICK, standing
from tests.support.nmea import sentence
from tests.support.records import finding

COLUMNS = 80


Asker = Callable[..., str]


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Asker:
    def asked(*words: str | Path, columns: int = COLUMNS) -> str:
        monkeypatch.setenv("COLUMNS", str(columns))
        assert main([str(word) for word in words]) == 0
        done = capsys.readouterr()
        assert done.err == ""
        assert max(map(len, done.out.splitlines())) <= columns
        return done.out

    return asked


def poor(time_s: float) -> str:
    """HDOP of the recording: past its limits for slowed, then for blade_off as well."""
    if 6.0 <= time_s < 7.0:
        return "3.50" if time_s == 6.4 else "2.50"
    return "5.00" if 8.0 <= time_s < 8.6 else "0.60"


@pytest.fixture
def journal(tmp_path: Path, ask: Asker) -> Path:
    """Of a replay in which `hdop` and `satellites` only watch."""
    lines = standing(12.0).splitlines(keepends=True)
    log, directory = tmp_path / "poor.nmea", tmp_path / "journal"
    log.write_bytes(b"".join(_with_hdop(one, n // 2 / 5) for n, one in enumerate(lines)))
    file = write_settings(tmp_path, **{**QUICK, "bound": {"sigma_m": {"fixed": 0.001}}})
    words = ["replay", log, "--settings", file, "--journal", directory]
    words += [
        word
        for key in ("hdop", "satellites")
        for word in ("--set", f"limits.{key}.watch_only=true")
    ]
    assert json.loads(ask(*words, "--json", columns=100_000))["interventions"] == []
    return directory


def _with_hdop(line: bytes, time_s: float) -> bytes:
    if b"GGA" not in line:
        return line
    body = line[1:].partition(b"*")[0].decode()
    return sentence(body.replace(",20,0.60,", f",20,{poor(time_s)},"))


def test_watched_as_json(journal: Path, ask: Asker) -> None:
    begin = BEGIN.isoformat().removesuffix("00+00:00")
    assert json.loads(ask("audit", "watched", "--journal", journal, "--json", columns=9999)) == {
        "watched": [
            {
                "monitor": "hdop",
                "times": 2,
                "duration_s": pytest.approx(1.6),
                "from": {"full": 2},
                "rung": "blade_off",
                "worst": plain(finding("hdop", 5.0, 4.0, "blade_off")),
                "first_utc": f"{begin}06.000Z",
                "last_utc": f"{begin}08.000Z",
            },
            {
                "monitor": "satellites",
                "times": 0,
                "duration_s": 0.0,
                "from": {},
                "rung": None,
                "worst": None,
                "first_utc": None,
                "last_utc": None,
            },
        ]
    }


@pytest.mark.parametrize("columns", [40, COLUMNS])
def test_watched_for_people(journal: Path, ask: Asker, columns: int) -> None:
    out = ask("audit", "watched", "--journal", journal, columns=columns)
    for word in ("hdop", "1.6 s", "full", "blade_off", "5, limit 4", "06:00:06", "06:00:08"):
        assert word in out
    assert "Would never have acted: satellites." in out


def test_list_names_it(journal: Path, ask: Asker) -> None:
    out = ask("audit", "list", "--journal", journal)
    assert "No interventions.\n" in out
    assert out.endswith("2 monitors only watched; audit watched tells what they would have done.\n")


def test_its_records_are_verified(journal: Path, ask: Asker) -> None:
    assert ask("audit", "verify", "--journal", journal).endswith(": no fault\n")
    told = [entry.record for entry in entries(journal) if isinstance(entry.record, Watched)]
    assert [[one.monitor for one in record.acted] for record in told] == [["hdop"], ["hdop"]]
    assert [one.times for record in told for one in record.acted] == [1, 1]


def test_where_no_monitor_only_watched(tmp_path: Path, ask: Asker) -> None:
    log = tmp_path / "log.nmea"
    log.write_bytes(standing(1.0))
    words = ("--settings", write_settings(tmp_path), "--journal", tmp_path / "journal")
    ask("replay", log, *words)
    told_of = ("audit", "watched", "--journal", tmp_path / "journal")
    assert ask(*told_of) == "No monitor was set to watch_only.\n"
    assert json.loads(ask(*told_of, "--json")) == {"watched": []}
    assert "only watched" not in ask("audit", "list", "--journal", tmp_path / "journal")
