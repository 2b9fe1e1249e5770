"""A receiver's plug, on a real pseudo-terminal."""

import os
import pty
import tty
from pathlib import Path


class Plug:
    """A receiver that can be pulled: a pseudo-terminal under a name that stays."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.far = -1

    def put_in(self) -> None:
        self.far, near = pty.openpty()
        tty.setraw(near)
        self.path.symlink_to(os.ttyname(near))
        os.close(near)

    def pull(self) -> None:
        if self.far >= 0:
            os.close(self.far)
            self.path.unlink()
        self.far = -1
