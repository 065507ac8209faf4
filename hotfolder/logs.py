"""Logs: structlog, JSON to a file of the root and readable text to a terminal.

Event names are dotted (``job.delivered``); a job's events carry its id under ``job``. A log line
is one line whatever a file's name holds: JSON is written as ASCII, and text is escaped.
"""

from __future__ import annotations

import contextlib
import json
import logging
import logging.handlers
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import structlog
from structlog.typing import EventDict

from hotfolder.pages.words import local_time

_MAX_BYTES = 20 * 2**20
_KEPT = 5


class _File(logging.handlers.RotatingFileHandler):
    """The log of a root. A line that finds no room on a full disk is left out.

    The standard library would print a traceback for each; ``status`` says what is the matter.
    """

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - as in the library
        """Go on."""

    def close(self) -> None:
        """Close, whatever there is no room for."""
        with contextlib.suppress(OSError):
            super().close()


def set_up_logs(file: Path | None, *, terminal: bool) -> None:
    """Send log events to `file` (rotated at 20 MiB, five kept) and, if asked, to standard error."""
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.format_exc_info,
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )
    handlers: list[logging.Handler] = []
    if file is not None:
        to_file = _File(file, maxBytes=_MAX_BYTES, backupCount=_KEPT, encoding="ascii", delay=True)
        to_file.setFormatter(_formatter(structlog.processors.JSONRenderer(_dumps)))
        handlers.append(to_file)
    if terminal:
        console = logging.StreamHandler(sys.stderr)
        console.setFormatter(
            _formatter(
                _say_local_time,
                structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), repr_native_str=True),
            )
        )
        handlers.append(console)
    logger = logging.getLogger("hotfolder")
    for old in logger.handlers[:]:
        logger.removeHandler(old)
        old.close()
    for handler in handlers:
        logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    logger.propagate = False


def get_log() -> structlog.stdlib.BoundLogger:
    """Return the program's logger."""
    log: structlog.stdlib.BoundLogger = structlog.stdlib.get_logger("hotfolder")
    return log


def _formatter(*processors: Any) -> logging.Formatter:
    return structlog.stdlib.ProcessorFormatter(
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *processors]
    )


def _say_local_time(_logger: Any, _method: str, event: EventDict) -> EventDict:
    """On a terminal a person reads the log, by the clocks here."""
    return {**event, "timestamp": local_time(str(event["timestamp"]), seconds=True)}


def _dumps(event: Any, **options: Any) -> str:
    return json.dumps(event, ensure_ascii=True, **options)


def utc_now() -> str:
    """Now, in UTC to the second with a Z: how status, lock and log say a time."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
