"""A share that hangs, or is slow: a file system in user space whose process is stopped."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from functools import cache
from pathlib import Path
from typing import Self

DEADLINE_S = 60.0


@cache
def why_no_share() -> str:
    """Why this machine cannot mount a folder in user space; "" when it can."""
    if not Path("/dev/fuse").exists():
        return "there is no /dev/fuse"
    if shutil.which("bindfs") is None or shutil.which("fusermount") is None:
        return ""  # the mark of the tool says what is to be installed
    here = Path(tempfile.mkdtemp(prefix="share-"))
    try:
        (here / "share").mkdir()
        (here / "disk").mkdir()
        with Share(here / "disk", here / "share"):
            return ""
    except (OSError, subprocess.SubprocessError, AssertionError) as error:
        return f"nothing can be mounted in user space here: {error}"
    finally:
        shutil.rmtree(here, ignore_errors=True)


class Share:
    """A folder of the disk, mounted at another place by a process that can be stopped.

    rate: bytes a second that can be written and read there; 0: as fast as it is.
    """

    def __init__(self, disk: Path, mount: Path, *, rate: int = 0) -> None:
        self.disk, self.mount = disk, mount
        limits = [f"--read-rate={rate}", f"--write-rate={rate}"] if rate else []
        self._process = subprocess.Popen(
            ["bindfs", "-f", *limits, str(disk), str(mount)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        ends_at = time.monotonic() + DEADLINE_S
        while not os.path.ismount(mount):
            assert self._process.poll() is None, "bindfs ended"
            assert time.monotonic() < ends_at, "bindfs did not mount"
            time.sleep(0.02)

    def hang(self) -> None:
        """From now on, whoever asks it for anything waits."""
        self._process.send_signal(signal.SIGSTOP)

    def answer(self) -> None:
        """It is as it was; who waited goes on."""
        self._process.send_signal(signal.SIGCONT)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.answer()
        subprocess.run(["fusermount", "-uz", str(self.mount)], check=False, capture_output=True)
        self._process.kill()
        self._process.wait(DEADLINE_S)
