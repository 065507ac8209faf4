"""The command ``hotfolder``: what loads first, so that Ctrl-C is quiet while the rest still loads.

A package of its own, since loading anything of `hotfolder` loads most of it.
"""

from __future__ import annotations

import os
import signal
from types import FrameType
from typing import NoReturn

INTERRUPTED = 130


def main() -> None:
    """Load the program and run its command line."""
    signal.signal(signal.SIGINT, _end)
    from hotfolder.cli.main import main as run

    run()


def _end(_number: int, _frame: FrameType | None) -> NoReturn:
    """End at once: nothing has begun."""
    os._exit(INTERRUPTED)
