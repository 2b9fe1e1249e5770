"""`fenceguard run`, as a process: ports, journals and permissions that are not there."""

import os
import pty
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from fenceguard.journal.write import Journal
from tests.support.command import MODULE, Word, refused, result
from tests.support.lawns import write_settings
from tests.support.made import QUICK, standing, with_a_float


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    return write_settings(tmp_path, **QUICK)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    file = tmp_path / "standing.nmea"
    file.write_bytes(with_a_float())
    return file


NOBODY = 65534

AS_NOBODY = (
    "import os, sys; from fenceguard.cli import audit, check, drill, main, replay, run; "
    f"os.setgroups([]); os.setgid({NOBODY}); os.setuid({NOBODY}); sys.exit(main())"
)
"""Gives up what root may do once everything is imported, which may lie where nobody may read."""


@pytest.fixture
def shared() -> Iterator[Path]:
    """A directory that everyone may read, which is not so below `tmp_path`."""
    directory = Path(tempfile.mkdtemp())
    directory.chmod(0o755)
    yield directory
    shutil.rmtree(directory)


@pytest.fixture
def no_root() -> dict[str, list[str]]:
    """How to start the command without what root may do."""
    if os.geteuid() != 0:
        return {"start": MODULE}
    return {"start": [sys.executable, "-c", AS_NOBODY]}


@pytest.fixture
def terminal() -> Iterator[str]:
    """The name of a pseudo-terminal."""
    far, near = pty.openpty()
    yield os.ttyname(near)
    os.close(near)
    os.close(far)


def run_settings(directory: Path, port: str, journal: Path | None = None) -> Path:
    return write_settings(
        directory,
        receiver={"port": port},
        journal={"directory": str(journal or directory / "journal")},
    )


def test_run_asks_for_a_port_and_a_journal(settings: Path) -> None:
    said = refused("run", "--settings", settings, "--set", "journal.directory=journal")
    assert said.endswith(f"{settings}: receiver.port: missing; say where the receiver is")
    said = refused("run", "--settings", settings, "--set", "receiver.port=-")
    assert said.endswith(f"{settings}: journal.directory: missing; say where to write it")


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    said = refused("run", "--settings", run_settings(tmp_path, str(tmp_path / "ttyACM9")))
    assert f"{tmp_path}/ttyACM9: does not exist; plug the receiver in" in said


def test_a_port_that_is_no_terminal(tmp_path: Path) -> None:
    (tmp_path / "plain").touch()
    said = refused("run", "--settings", run_settings(tmp_path, str(tmp_path / "plain")))
    assert f"{tmp_path}/plain: cannot be used as a serial port" in said


@pytest.mark.live
def test_a_port_that_another_program_holds(tmp_path: Path, terminal: str) -> None:
    with serial.Serial(terminal, exclusive=True):
        said = refused("run", "--settings", run_settings(tmp_path, terminal))
    assert f"{terminal}: is busy: another program holds it; stop that one" in said


@pytest.mark.live
def test_a_port_that_is_not_permitted(
    shared: Path, terminal: str, no_root: dict[str, list[str]]
) -> None:
    settings = run_settings(shared, terminal, shared / "journal")
    (shared / "journal").mkdir()
    (shared / "journal").chmod(0o777)
    Path(terminal).chmod(0)
    said = refused("run", "--settings", settings, **no_root)
    assert f"{terminal}: not permitted; become a member of the group " in said


def journal_words(word: str, directory: Path, log: Path, settings: Path) -> list[Word]:
    """A command that would write a journal there."""
    if word == "replay":
        return ["replay", log, "--settings", settings, "--journal", directory]
    given = ("--set", "receiver.port=-", "--set", f"journal.directory={directory}")
    return ["run", "--settings", settings, *given]


@pytest.mark.parametrize("word", ["run", "replay"])
def test_a_journal_below_a_plain_file(settings: Path, log: Path, word: str) -> None:
    said = refused(*journal_words(word, log / "journal", log, settings))
    assert f"{log}/journal: the journal cannot be written there: Not a directory; name a" in said


@pytest.mark.parametrize("word", ["run", "replay"])
def test_a_journal_where_one_may_not_write(
    shared: Path, no_root: dict[str, list[str]], word: str
) -> None:
    settings, log = write_settings(shared), shared / "standing.nmea"
    log.write_bytes(standing(1.0))
    shared.chmod(0o555)
    said = refused(*journal_words(word, shared / "journal", log, settings), **no_root)
    shared.chmod(0o755)
    assert f"{shared}/journal: the journal cannot be written there: Permission denied; name" in said


@pytest.fixture
def full_disk(tmp_path: Path) -> Iterator[Path]:
    """A small file system with no room left."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no file system of one's own can be mounted here, so none can be filled up")
    try:
        with pytest.raises(OSError, match="No space"), (disk / "full").open("wb") as file:
            file.write(bytes(1 << 20))
            file.flush()
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)


@pytest.mark.parametrize("word", ["run", "replay"])
def test_a_journal_on_a_full_disk(settings: Path, log: Path, full_disk: Path, word: str) -> None:
    said = refused(*journal_words(word, full_disk / "journal", log, settings))
    assert "the journal cannot be written there: No space left on device; name a" in said
    assert said.endswith("on a disk with space left")


def test_a_journal_that_another_writes(settings: Path, log: Path, tmp_path: Path) -> None:
    other = Journal(tmp_path / "journal")
    said = refused("replay", log, "--settings", settings, "--journal", tmp_path / "journal")
    other.close()
    assert f"{tmp_path}/journal: another fenceguard writes this journal; stop it first" in said
    result("replay", log, "--settings", settings, "--journal", tmp_path / "journal")
