"""Real disks that are full, or that hang."""

import contextlib
import shutil
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

HANGS_AT_MOST_S = 30.0
"""A disk is let go of after this, so that a test that waits for it fails and does not hang."""


@contextlib.contextmanager
def small_disk(directory: Path, kib: int = 64) -> Iterator[Path]:
    """A file system that holds no more than this; skips where none can be mounted."""
    with _mounted(directory, "-t", "tmpfs", "-o", f"size={kib}k", "tmpfs") as disk:
        yield disk


def fill(disk: Path) -> Path:
    """Fill a disk up to its last block; remove the file that is returned to make room."""
    filler = disk / "filler"
    with pytest.raises(OSError), filler.open("wb", buffering=0) as file:
        while file.write(b"x" * 4096):
            pass
    return filler


class HangingDisk:
    """A file system whose writers can be made to hang, without an end and beyond any signal."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.hangs = False
        self.gave_up = False
        self._changing = threading.Lock()
        self._timer: threading.Timer | None = None

    def hang(self) -> None:
        """Have whoever writes hang."""
        subprocess.run(["fsfreeze", "--freeze", str(self.path)], check=True, timeout=10)
        self.hangs = True
        self._timer = threading.Timer(HANGS_AT_MOST_S, self._give_up)
        self._timer.daemon = True
        self._timer.start()

    def answer(self) -> None:
        """Have it go on where it hung."""
        with self._changing:
            if self.hangs:
                subprocess.run(["fsfreeze", "--unfreeze", str(self.path)], check=True, timeout=10)
                self.hangs = False
        if self._timer is not None:
            self._timer.cancel()

    def _give_up(self) -> None:
        self.gave_up = True
        self.answer()


@contextlib.contextmanager
def hanging_disk(directory: Path) -> Iterator[HangingDisk]:
    """A file system of its own in a file; skips where none can be made, mounted or frozen."""
    image = directory / "disk.img"
    if shutil.which("fsfreeze") is None or shutil.which("mkfs.ext4") is None:
        pytest.skip("there is no fsfreeze or no mkfs.ext4 command")
    with image.open("wb") as file:
        file.truncate(16 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], check=True, timeout=30)
    with _mounted(directory, "-o", "loop", str(image)) as path:
        disk = HangingDisk(path)
        try:
            yield disk
        finally:
            disk.answer()


@contextlib.contextmanager
def _mounted(directory: Path, *what: str) -> Iterator[Path]:
    disk = directory / "disk"
    disk.mkdir()
    try:
        command = ["mount", *what, str(disk)]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)
    except FileNotFoundError:
        pytest.skip("there is no mount command")
    if done.returncode:
        pytest.skip(f"a disk cannot be mounted: {done.stderr.strip()}")
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True, timeout=30)
