"""What monitors that only watch would have done: from their findings to `audit watched`."""

import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from fenceguard.account import Event, severity
from fenceguard.audit.interventions import history
from fenceguard.audit.watched import Tally, WatchOnly
from fenceguard.watch import Watch
from hypothesis import given, settings
from hypothesis import strategies as st

from fenceguard.cli import main
from fenceguard.journal.read import Record, records
from fenceguard.judgement.types import Rung
from fenceguard.outputs.lines import Lines
from fenceguard.receiver.epoch import Epoch
from fenceguard.settings import Loaded
from tests.support.lawns import loaded, offset, write_settings
from tests.support.made import BEGIN, QUICK, standing
from tests.support.nmea import sentence

COLUMNS = 80
PLACE = offset(5.0, 5.0)
Row = dict[str, Any]


def finding(monitor: str, value: float | None, limit: float | None, rung: str) -> Row:
    note = "" if value is not None else "it is not told"
    return {
        "monitor": monitor,
        "value": value,
        "limit": limit,
        "unit": "",
        "rung": rung,
        "note": note,
    }


def slow(value: float) -> Row:
    return finding("hdop", value, 2.0, "slowed")


def blade(value: float) -> Row:
    return finding("hdop", value, 4.0, "blade_off")


UNKNOWN = finding("hdop", None, None, "halted")


def record(kind: str, at_s: float, **evidence: Any) -> Record:
    return {"kind": kind, "mono_s": at_s, "utc": f"2031-03-07T06:00:{at_s:06.3f}Z", **evidence}


def start(at_s: float, *watch_only: str) -> Record:
    limits = {name: {"watch_only": name in watch_only} for name in ("hdop", "satellites", "late")}
    return record("start", at_s, settings={"limits": limits})


def watched(at_s: float, rung: str, *findings: Row, worst: Sequence[Row] = ()) -> Record:
    return record("watched", at_s, rung=rung, findings=list(findings), worst=list(worst))


def told(*given: Record) -> list[WatchOnly]:
    tally = Tally()
    for one in given:
        tally.add(one)
    return tally.told()


def only(*given: Record) -> WatchOnly:
    (one,) = told(*given)
    return one


# From records


@pytest.mark.parametrize(
    ("stood", "demanded", "acts"),
    [
        ("full", "slowed", True),
        ("slowed", "slowed", False),
        ("slowed", "blade_off", True),
        ("blade_off", "blade_off", False),
        ("blade_off", "slowed", False),
        ("blade_off", "halted", True),
        ("halted", "halted", False),
        ("halted", "locked", True),
        ("locked", "locked", False),
    ],
)
def test_it_would_have_acted_on_a_mower_on_a_higher_rung(
    stood: str, demanded: str, acts: bool
) -> None:
    row = finding("hdop", 9.0, 2.0, demanded)
    one = only(start(0.0, "hdop"), watched(1.0, stood, row), watched(3.5, stood, worst=[row]))
    assert (one.times, one.duration_s) == ((1, 2.5) if acts else (0, 0.0))
    assert one.from_rungs == ({stood: 1} if acts else {})
    assert (one.rung, one.worst) == ((demanded, row) if acts else (None, None))
    utc = "2031-03-07T06:00:01.000Z" if acts else None
    assert (one.first_utc, one.last_utc) == (utc, utc)


def test_once_however_its_demand_and_the_rung_change_meanwhile() -> None:
    one = only(
        watched(1.0, "full", slow(2.1)),
        watched(2.0, "full", blade(4.1), worst=[slow(3.9)]),
        watched(3.0, "slowed", blade(4.1), worst=[blade(4.5)]),
        watched(4.0, "blade_off", blade(4.2), worst=[blade(4.4)]),
        watched(9.0, "slowed", blade(4.2), worst=[blade(7.9)]),
        watched(9.5, "slowed", worst=[blade(4.3)]),
    )
    assert (one.times, one.duration_s) == (2, 3.5)
    assert one.from_rungs == {"full": 1, "slowed": 1}
    assert one.worst == blade(4.5)
    assert one.first_utc == "2031-03-07T06:00:01.000Z"
    assert one.last_utc == "2031-03-07T06:00:09.000Z"


def test_the_worst_while_it_would_have_acted() -> None:
    """What came before, on a mower that was halted anyway, does not count."""
    one = only(
        watched(1.0, "halted", slow(3.9)),
        watched(2.0, "full", slow(2.2), worst=[slow(3.99)]),
        watched(3.0, "full", worst=[slow(2.6)]),
    )
    assert one.worst == slow(2.6)


def test_what_is_worse() -> None:
    order = [slow(2.1), slow(3.9), blade(4.1), finding("hdop", 8.1, 8.0, "halted"), UNKNOWN]
    assert sorted(order, key=severity) == order
    few = [finding("satellites", value, 6, "blade_off") for value in (5.0, 4.0)]
    assert severity(few[0]) < severity(few[1])
    words = finding("station", None, None, "halted") | {"value": "0002", "limit": "accepted"}
    assert severity(words) == (Rung.HALTED, 0.0)


def test_a_run_that_ends_without_a_word_counts_to_its_last_record() -> None:
    summary = record("summary", 30.0)
    one = only(start(0.0), watched(1.0, "full", slow(2.1)), summary, start(2.0))
    assert (one.times, one.duration_s, one.worst) == (1, 29.0, slow(2.1))
    one = only(start(0.0), watched(1.0, "full"), watched(2.0, "full", slow(2.1), worst=[UNKNOWN]))
    assert (one.times, one.duration_s, one.worst) == (1, 0.0, slow(2.1))


def test_runs_add_up_and_each_monitor_that_only_watched_is_told() -> None:
    run = (watched(1.0, "full", slow(2.1)), watched(3.0, "full", worst=[slow(2.5)]))
    both = told(start(0.0, "hdop", "late"), *run, start(0.0, "hdop", "satellites"), *run)
    assert [(one.monitor, one.times, one.duration_s) for one in both] == [
        ("hdop", 2, 4.0),
        ("late", 0, 0.0),
        ("satellites", 0, 0.0),
    ]
    assert both[0].from_rungs == {"full": 2}


# From a watch


ONLY = ("hdop", "satellites", "correction_age", "bound")


@pytest.fixture(scope="module")
def watching() -> Loaded:
    limits = {name: {"watch_only": True} for name in ONLY}
    limits["hdop"]["halted"] = {"limit": 8.0, "for_s": 0.5}  # type: ignore[assignment]
    with TemporaryDirectory() as directory:
        return loaded(Path(directory), limits=limits, **QUICK)


def kept(events: list[Event]) -> list[Record]:
    return [
        {"kind": one.kind, "mono_s": one.mono_s, "utc": f"{one.utc_s:.3f}", **one.evidence}
        for one in events
    ]


EPOCHS = st.lists(
    st.tuples(
        st.integers(1, 12),
        st.sampled_from([4, 4, 4, 5]),
        st.sampled_from([None, 0.6, 0.6, 1.0, 2.1, 3.0, 4.1, 8.5, 9.0]),
        st.sampled_from([None, 20, 20, 20, 7, 5]),
        st.sampled_from([0.5, 0.5, 0.5, 11.0, 21.0]),
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(EPOCHS)
def test_it_agrees_with_every_single_decision(
    watching: Loaded, epochs: list[tuple[int, int, float | None, int | None, float]]
) -> None:
    """Added up here step by step, without records."""
    events: list[Event] = []
    watch = Watch(watching, Lines(None), None, events.append)
    watch.start(0.0, 0.0, "replay", "made")
    lives = [(25, 4, 0.6, 20, 0.5), *epochs]
    acting: dict[str, float] = {}
    times = dict.fromkeys(ONLY, 0)
    lasted_s = dict.fromkeys(ONLY, 0.0)
    worst: dict[str, tuple[Rung, float]] = {}
    now_s, number = 0.0, 0
    for count, quality, hdop, satellites, age_s in lives:
        for _ in range(count):
            number += 1
            at_s = round(number / 5, 1)
            for monitor in acting:
                lasted_s[monitor] += at_s - now_s
            now_s = at_s
            epoch = Epoch(
                1e9 + now_s,
                *PLACE,
                quality=quality,
                hdop=hdop,
                satellites=satellites,
                age_s=age_s,
                speed_mps=0.0,
            )
            decision = watch.step(now_s, epoch)
            found = {one.monitor: one for one in decision.watched if one.rung > decision.rung}
            for monitor, one in found.items():
                times[monitor] += monitor not in acting
                past = math.inf
                if one.value is not None and one.limit is not None:
                    past = round(abs(float(one.value) - float(one.limit)), 3)
                worst[monitor] = max(worst.get(monitor, (one.rung, past)), (one.rung, past))
            acting = dict.fromkeys(found, now_s)
    watch.stop(now_s, "end")
    added = told(*kept(events))
    assert [one.monitor for one in added] == sorted(ONLY)
    for line in added:
        assert line.times == sum(line.from_rungs.values()) == times[line.monitor]
        assert line.duration_s == pytest.approx(lasted_s[line.monitor], abs=1e-6)
        assert (line.worst is None) == (line.monitor not in worst)
        if line.worst is not None:
            rung, past = worst[line.monitor]
            assert severity(line.worst)[0] is rung
            assert severity(line.worst)[1] == pytest.approx(past, abs=2e-3)


def test_a_watch_that_stops_says_how_bad_it_became(watching: Loaded) -> None:
    events: list[Event] = []
    watch = Watch(watching, Lines(None), None, events.append)
    sound = Epoch(1e9, *PLACE, quality=4, satellites=20, age_s=0.5, sigma_major_m=0.01)
    for number, hdop in enumerate((2.1, 3.9, 2.2)):
        time_s = number / 5
        watch.step(time_s, sound._replace(utc_s=sound.utc_s + time_s, hdop=hdop))
    watch.stop(0.6, "end")
    *_, last, stop = events
    assert (last.kind, stop.kind) == ("watched", "stop")
    assert last.evidence["findings"] == []
    assert last.evidence["worst"] == [slow(3.9)]


def test_without_such_monitors_nothing_is_written_of_them(tmp_path: Path) -> None:
    events: list[Event] = []
    watch = Watch(loaded(tmp_path), Lines(None), None, events.append)
    watch.step(0.0, Epoch(1e9, *PLACE, quality=4, hdop=9.0))
    watch.stop(0.6, "end")
    assert "watched" not in [event.kind for event in events]


# The command


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
                "worst": blade(5.0),
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
    assert sum(one["kind"] == "watched" for one in records(journal)) >= 4
    assert len(history(records(journal)).watch_only) == 2


def test_where_no_monitor_only_watched(tmp_path: Path, ask: Asker) -> None:
    log = tmp_path / "log.nmea"
    log.write_bytes(standing(1.0))
    words = ("--settings", write_settings(tmp_path), "--journal", tmp_path / "journal")
    ask("replay", log, *words)
    told_of = ("audit", "watched", "--journal", tmp_path / "journal")
    assert ask(*told_of) == "No monitor was set to watch_only.\n"
    assert json.loads(ask(*told_of, "--json")) == {"watched": []}
    assert "only watched" not in ask("audit", "list", "--journal", tmp_path / "journal")
