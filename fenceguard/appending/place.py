"""A directory that one process writes to, and files in it that are only appended to."""

import contextlib
import errno
import fcntl
import os
from pathlib import Path

from fenceguard.errors import BadInput

SPARE_BYTES = 4096
"""What a disk must still take when a directory is taken."""


class Gone(OSError):
    """What was written is no longer where it was; the text says what happened to which path."""


class Place:
    """A directory, made where it is not there, with the right to be its only writer.

    `name` is what the texts call what is written there, `lock` the file that shows the right.
    Raises BadInput where the directory cannot be used.
    """

    def __init__(self, directory: Path, name: str, lock: str) -> None:
        self.directory = directory
        self._name = name
        self._lock_path = directory / lock
        self._lock: int | None = None
        try:
            self.take()
            self._prove_space()
        except BlockingIOError as error:
            raise BadInput(
                f"{directory}: another fenceguard writes this {name}; stop it first, or name "
                "another directory"
            ) from error
        except OSError as error:
            self.close()
            raise self.unusable(error) from error

    def unusable(self, error: OSError) -> BadInput:
        """What to say of an error at the start."""
        where = error.filename or self.directory
        problem = "not a directory" if isinstance(error, FileExistsError) else error.strerror
        return BadInput(
            f"{where}: the {self._name} cannot be written there: {problem}; "
            "name a directory that this user may write to, on a disk with space left"
        )

    def take(self) -> None:
        """Make the directory and its lock where they are not, and hold the lock.

        Raises OSError; BlockingIOError where another process holds it.
        """
        self.directory.mkdir(parents=True, exist_ok=True)
        if self._lock is not None and same_file(self._lock, self._lock_path):
            return
        lock = os.open(self._lock_path, os.O_CREAT | os.O_RDWR, 0o644)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            os.close(lock)
            raise BlockingIOError(error.errno, "another fenceguard writes there") from error
        self.close()
        self._lock = lock

    def prove(self) -> None:
        """Raise Gone unless the lock is where it was. Hangs where the disk does.

        For that it tries to make a directory where the lock is: that asks to write, and writes
        nothing.
        """
        if self._lock is None or not same_file(self._lock, self._lock_path):
            raise Gone(f"{self._lock_path} was removed or moved")
        try:
            self._lock_path.mkdir()
        except FileExistsError:
            return
        self._lock_path.rmdir()
        raise Gone(f"{self._lock_path} was removed or moved")

    def close(self) -> None:
        """Give up the right to write."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _prove_space(self) -> None:
        """Raise OSError unless the disk still takes something."""
        probe = self.directory / "space.probe"
        try:
            with probe.open("wb") as file:
                file.write(b"\0" * SPARE_BYTES)
                file.flush()
                os.fsync(file.fileno())
        finally:
            with contextlib.suppress(OSError):
                probe.unlink()


class AppendedFile:
    """A file that is only appended to. All methods raise OSError."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._handle = os.open(path, os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o644)
        self.bytes = os.fstat(self._handle).st_size
        sync_directory(path.parent)

    def prove(self) -> None:
        """Raise Gone unless the path still leads to this file, with all that was written."""
        if not same_file(self._handle, self.path):
            raise Gone(f"{self.path} was removed or moved")
        if os.fstat(self._handle).st_size < self.bytes:
            raise Gone(f"{self.path} was cut short")

    def append(self, data: bytes) -> None:
        """All of the data, or nothing at all."""
        before = os.fstat(self._handle).st_size
        try:
            if os.write(self._handle, data) < len(data):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        except OSError:
            os.ftruncate(self._handle, before)
            raise
        self.bytes = before + len(data)

    def sync(self) -> None:
        """Force it to the disk."""
        os.fsync(self._handle)

    def close(self) -> None:
        """Let go of it."""
        os.close(self._handle)


def same_file(handle: int, path: Path) -> bool:
    """Whether a path leads to an open file. Raises OSError where that cannot be found out."""
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except (FileNotFoundError, NotADirectoryError):
        return False


def sync_directory(directory: Path) -> None:
    """Force the names in a directory to the disk. Raises OSError."""
    handle = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_whole(path: Path, content: bytes) -> None:
    """A whole file under its name, or none: written aside, forced to the disk, then renamed.

    Raises OSError.
    """
    aside = path.with_name(f"{path.name}.part")
    with aside.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    aside.replace(path)
    sync_directory(path.parent)
