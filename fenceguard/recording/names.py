"""The files of recordings: their names and their order."""

import re
from pathlib import Path

_NAME = re.compile(r"(\d{6,})-\d{8}T\d{6}\.jsonl\.gz")


def recording_files(directory: Path) -> list[Path]:
    """The files of all recordings in a directory, oldest first, whatever the clock was."""
    numbers = {path: number_of(path) for path in directory.glob("*.jsonl.gz")}
    return sorted((path for path in numbers if numbers[path]), key=lambda path: numbers[path])


def number_of(path: Path) -> int:
    """The number in a file's name, which counts from 1; 0 where it is no name of a recording."""
    match = _NAME.fullmatch(path.name)
    return int(match[1]) if match else 0
