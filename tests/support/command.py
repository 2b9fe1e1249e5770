"""The command line as a process."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

Word = str | Path
DEMO = Path(__file__).parents[2] / "config" / "demo"
COLUMNS = 80
MODULE = [sys.executable, "-m", "fenceguard"]


class Done(NamedTuple):
    """How a command ended."""

    status: int
    out: str
    err: str


def command(*words: Word, stdin: bytes = b"", start: list[str] = MODULE, **env: str) -> Done:
    """Run a command; how it ended."""
    done = subprocess.run(
        [*start, *map(str, words)],
        input=stdin,
        capture_output=True,
        timeout=60,
        check=False,
        env={**os.environ, "COLUMNS": str(COLUMNS), **env},
    )
    return Done(done.returncode, done.stdout.decode(), done.stderr.decode())


def refused(*words: Word, **how: Any) -> str:
    """What is said to bad input, which is one line and comes without a result."""
    done = command(*words, **how)
    assert done.status == 2, done
    assert done.out == ""
    (line,) = done.err.splitlines()
    assert line.startswith(f"fenceguard {words[0]}: ")
    return line


def unusable(*words: Word, **how: Any) -> str:
    """What is said of a recording that could be used in part."""
    done = command(*words, **how)
    assert done.status == 2, done
    assert "epochs in " in done.out
    (line,) = done.err.splitlines()
    assert line.startswith(f"fenceguard {words[0]}: ")
    return line


def result(*words: Word, **how: Any) -> Any:
    """The JSON that a command prints."""
    done = command(*words, "--json", **how)
    assert (done.status, done.err) == (0, ""), done
    return json.loads(done.out)


def for_people(*words: Word, **how: Any) -> str:
    """What a command prints for people, every line of which fits."""
    done = command(*words, **how)
    assert (done.status, done.err) == (0, ""), done
    assert max(map(len, done.out.splitlines())) <= COLUMNS
    return done.out
