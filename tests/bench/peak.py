"""Replay one recording and print the peak memory of this process in MiB."""

import re
import sys
from pathlib import Path

from fenceguard.replay import Replay
from fenceguard.settings import load


def main() -> None:
    """Arguments: recording, settings."""
    log, settings = sys.argv[1:]
    loaded = load(Path(settings))
    Replay(lambda _run: loaded).run([log])
    # Not ru_maxrss: that begins at the size of the process which started this one.
    status = Path("/proc/self/status").read_text()
    kib = re.findall(r"VmHWM:\s+(\d+) kB", status)
    print(int(kib[0]) / 1024.0)


if __name__ == "__main__":
    main()
