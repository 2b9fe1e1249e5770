"""The pages: what they show of the code is as the code is, and what they tell to type can be."""

import argparse
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest

from fenceguard.cli import CAUTION, audit, check, drill, main, replay, run
from fenceguard.cli.common import OUTPUTS_CAUTION
from fenceguard.judgement.ladder import RISES, RUNGS
from tests.bench.results import BENCHES, replaced
from tests.bench.results import PAGE as RESULTS
from tests.pages import MADE, PAGES, PART, PICTURE, ROOT, File, ladder, made, out_of_date

DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")
HOUSE = ROOT / "fenceguard"


def test_no_page_and_no_picture_is_out_of_date() -> None:
    assert [one.path.name for one in out_of_date(made())] == []


def test_what_differs_or_is_not_there_is_out_of_date(tmp_path: Path) -> None:
    there = tmp_path / "there.md"
    there.write_text("as it was")
    assert out_of_date([File(there, "as it was")]) == []
    changed, missing = File(there, "as it is"), File(tmp_path / "missing.md", "")
    assert out_of_date([changed, missing]) == [changed, missing]


def test_only_the_parts_of_a_page_are_made_anew(tmp_path: Path) -> None:
    for name, parts in PAGES.items():
        page = (ROOT / name).read_text(encoding="utf-8")
        emptied = PART.sub(r"\1\3", page)
        assert len(emptied) < len(page)
        (tmp_path / name).write_text(emptied, encoding="utf-8")
        assert all(MADE[part]() not in emptied for part in parts)
    pages = {one.path.name: one.content for one in made(tmp_path)}
    for name in PAGES:
        assert pages[name] == (ROOT / name).read_text(encoding="utf-8")


def test_a_page_that_lost_a_part_is_told(tmp_path: Path) -> None:
    for name in PAGES:
        (tmp_path / name).write_text("nothing", encoding="utf-8")
    with pytest.raises(ValueError, match=r"DEVELOPERS\.md: has the parts \(\), and should have"):
        made(tmp_path)


def test_the_ladder_shows_every_rung_in_order_with_all_that_its_way_up_asks() -> None:
    lines = ladder().splitlines()
    assert max(map(len, lines)) <= 80
    at = [
        next(number for number, line in enumerate(lines) if re.search(f"[│┤] {rung.word} ", line))
        for rung in RUNGS
    ]
    assert at == sorted(at)
    for rung, rise in RISES.items():
        between = lines[at[rung - 1] : at[rung]]
        assert sum("▲ - " in line or "│ - " in line for line in between) == len(rise.asks)


def test_the_picture_is_small() -> None:
    assert (ROOT / PICTURE).stat().st_size < 150_000


def section(title: str) -> str:
    """A chapter of DEVELOPERS.md."""
    return DEVELOPERS.partition(f"\n## {title}\n")[2].partition("\n## ")[0]


def test_the_tree_names_every_room_and_nothing_else() -> None:
    tree = section("The house").partition("```text\nfenceguard/\n")[2].partition("```")[0]
    inside = re.findall(r"(?m)^  (\w+(?:/|\.py)) ", tree)
    there = {
        f"{one.name}/" if one.is_dir() else one.name
        for one in HOUSE.iterdir()
        if not one.name.startswith("_") and one.name != "py.typed"
    }
    assert set(inside) == there
    assert len(inside) == len(there)
    for name in re.findall(r"(?m)^([\w.]+)/ ", tree):
        assert (ROOT / name).is_dir(), name


def test_every_module_in_the_diagrams_and_texts_is_there() -> None:
    named = set(re.findall(r"(?<![\w/.])([a-z_]+/(?:[a-z_]+/)*[a-z_]+\.py)\b", DEVELOPERS))
    assert len(named) > 20
    missing = [name for name in named if not ((HOUSE / name).exists() or (ROOT / name).exists())]
    assert missing == []


def test_every_line_of_the_developers_page_fits() -> None:
    blocks = re.findall(r"(?s)```text\n(.*?)```", DEVELOPERS)
    assert len(blocks) >= 3
    assert [line for block in blocks for line in block.splitlines() if len(line) > 80] == []


def commands(text: str) -> Iterator[list[str]]:
    """The words of each call of fenceguard in lines of a shell."""
    for line in text.splitlines():
        for call in re.findall(r"(?:^|&& |\| ) *(?:\.venv/bin/)?fenceguard ([^&|<]+)", line):
            yield shlex.split(call, comments=True)


TYPED = [
    words
    for page in (README, DEVELOPERS)
    for block in re.findall(r"(?s)```sh\n(.*?)```", page)
    for words in commands(block.replace("\\\n", " "))
]
EXAMPLES = [words for one in (audit, check, drill, replay, run) for words in commands(one.EXAMPLES)]


@pytest.mark.parametrize("words", [*TYPED, *EXAMPLES], ids=" ".join)
def test_every_command_that_is_told_can_be_parsed(
    words: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    parse = argparse.ArgumentParser.parse_args

    def only_parsed(self: argparse.ArgumentParser, given: list[str]) -> argparse.Namespace:
        args: argparse.Namespace = parse(self, given)
        args.run = lambda _: 0
        return args

    monkeypatch.setattr(argparse.ArgumentParser, "parse_args", only_parsed)
    assert main(words) == 0


def test_enough_commands_are_told() -> None:
    assert len(TYPED) > 15
    assert len(EXAMPLES) > 15
    assert all("--help" not in words for words in TYPED)


HELPS = {
    "": CAUTION,
    "run": run.EXAMPLES,
    "replay": replay.EXAMPLES,
    "audit": audit.EXAMPLES,
    "audit show": audit.EXAMPLES,
    "check": check.EXAMPLES,
    "drill": drill.EXAMPLES,
}
"""The last part of the help of each command."""


@pytest.mark.parametrize(("command", "written"), HELPS.items())
def test_help_fits_a_terminal_and_no_line_of_its_examples_is_broken(
    command: str,
    written: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    with pytest.raises(SystemExit, match="0"):
        main([*command.split(), "--help"])
    told = capsys.readouterr().out.splitlines()
    assert max(map(len, told)) <= 80
    lines = written.replace(OUTPUTS_CAUTION, "").splitlines()
    assert lines
    assert set(lines) <= set(told)


def test_the_page_of_results_has_a_part_for_each_bench_and_keeps_the_rest() -> None:
    page = RESULTS.read_text(encoding="utf-8")
    for name in BENCHES:
        other = replaced(page, name, "| other |")
        assert other.count("| other |") == 1
        assert len(re.findall(r"(?m)^#", other)) == len(re.findall(r"(?m)^#", page))
    with pytest.raises(ValueError, match="no such: there are 0 such parts"):
        replaced(page, "no such", "")


def test_the_readme_tells_what_each_rung_gives() -> None:
    rows = re.findall(r"(?m)^\| `(\w+)` \| (on|off) \| (on|off) \| (on|off) \|", README)
    assert rows == [
        (rung.word, *("on" if given else "off" for given in gives)) for rung, gives in RUNGS.items()
    ]
