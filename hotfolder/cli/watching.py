"""What ``watch`` says while it serves a root, and the processes that it keeps beside itself."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from hotfolder.logs import get_log
from hotfolder.settings.files import SETTINGS_FILE, read_notify

if TYPE_CHECKING:
    from hotfolder.ledger.reading import JobRow

_ENDS_S = 5.0
_LOOK_EVERY_S = 2.0
_AGAIN_S = (5.0, 30.0, 300.0)


def note_ended(row: JobRow) -> None:
    """Log what became of a job, and why: to the terminal it is the one thing that counts."""
    record = row.record
    if record is None:
        return
    result = record.results[0] if record.results else None
    get_log().info(
        "job.ended",
        job=row.id,
        destination=record.destination,
        file=record.source,
        state=str(record.state),
        result=result.path if result else "",
        size=f"{result.width_px} × {result.height_px} px" if result else "",
        reasons=[each.message for each in record.reasons],
        warnings=[each.message for each in record.warnings],
    )


@contextlib.contextmanager
def desk_beside(root: Path) -> Iterator[None]:
    """Open the desk of a root in a process of its own, which ends with this one.

    What becomes of it is nothing to the daemon: when it cannot begin, or dies, the work goes on.
    """
    try:
        process = _start("hotfolder", "desk", str(root), "--beside")
    except OSError as error:
        get_log().error("desk.not_opened", reason=str(error))
        yield
        return
    try:
        yield
    finally:
        _end(process)


@contextlib.contextmanager
def telling_beside(root: Path) -> Iterator[None]:
    """Keep a process that tells people what waits, as long as ``hotfolder.toml`` names a way.

    What becomes of it is nothing to the daemon; when it dies, another is started after a while.
    """
    over = threading.Event()
    # no errand: what is left of one keeps the end of the program from being an orderly one
    thread = threading.Thread(
        target=_keep_telling, args=(root, over), name="start notify", daemon=True
    )
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def _keep_telling(root: Path, over: threading.Event) -> None:
    process: subprocess.Popen[bytes] | None = None
    is_wanted, stamp = False, 0
    fails, next_s = 0, 0.0
    while not over.wait(_LOOK_EVERY_S):
        if (now := _stamp(root / SETTINGS_FILE)) != stamp:
            stamp = now
            table, _ = read_notify(root)
            # one that is wrong changes nothing
            is_wanted = bool(table.ways) if table else is_wanted
        if process is not None and process.poll() is not None:
            get_log().error("notify.ended", code=process.returncode)
            process, next_s = None, time.monotonic() + _AGAIN_S[min(fails, len(_AGAIN_S) - 1)]
            fails += 1
        if is_wanted and process is None and time.monotonic() >= next_s:
            try:
                process = _start("hotfolder.notify", str(root))
            except OSError as error:
                get_log().error("notify.not_started", reason=str(error))
                next_s = time.monotonic() + _AGAIN_S[-1]
        elif not is_wanted and process is not None:
            _end(process)
            process, fails = None, 0
    if process is not None:
        _end(process)


def _start(module: str, *arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-m", module, *arguments], stdin=subprocess.DEVNULL)


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(_ENDS_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _stamp(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return -1
