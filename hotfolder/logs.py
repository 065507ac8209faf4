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
from collections import defaultdict, deque
from collections.abc import Mapping
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from hotfolder.disk.names import display_name
from hotfolder.errors import StorageError
from hotfolder.pages.words import clock_time

if (
    TYPE_CHECKING
):  # it loads a whole library for terminals; a command that logs nothing goes without
    import structlog
    from structlog.typing import EventDict, Processor

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


class Terminal(StrEnum):
    """How events are said on standard error."""

    NONE = "none"
    JSON = "json"
    """A line of JSON each, for programs."""
    WORDS = "words"
    """A line or a few in plain words, for people."""


def set_up_logs(file: Path | None, *, terminal: Terminal = Terminal.NONE) -> None:
    """Send log events to `file` (rotated at 20 MiB, five kept) and, if asked, to standard error."""
    import structlog

    shared: list[Processor] = [
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
    if terminal is not Terminal.NONE:
        console = logging.StreamHandler(sys.stderr)
        as_json = structlog.processors.JSONRenderer(_dumps)
        console.setFormatter(_formatter(as_json if terminal is Terminal.JSON else _say))
        if terminal is Terminal.WORDS:
            console.addFilter(_is_for_people)
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
    import structlog

    log: structlog.stdlib.BoundLogger = structlog.stdlib.get_logger("hotfolder")
    return log


def _formatter(*processors: Processor) -> logging.Formatter:
    import structlog

    return structlog.stdlib.ProcessorFormatter(
        processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *processors]
    )


_IN_WORDS: Final[Mapping[str, str]] = {
    "job.claimed": "arrived    {destination}: {file}",
    "job.released": "released   {job}",
    "job.discarded": "discarded  {job}",
    "batch.planned": "planned    {destination}: batch {batch}: {new_jobs} to do, {missing} without "
    "a picture, {wrong} wrong",
    "folder.reachable_again": "reachable  {folder}",
    "folder.unreachable": "stopped    {folder}: {reason}",
    "settings.taken_up": "changed    {destination}: its settings are in use now",
    "settings.gone": "gone       {destination}: its settings are gone; it is not served any more",
    "folder.forsaken": "left alone {reason}",
    "settings.refused": "stopped    {destination}: its settings cannot be used: {reason}",
    "measured.judged": "measured   {destination}: {file}: {mean} ΔE00 on average. {reason}",
    "measured.refused": "refused    {destination}: {file}: {reason}",
    "measured.stopped": "stopped    {destination}: measurements: {reason}",
    "storage.trouble": "stopped    {reason}",
    "hours.begun": "begins     {destination}: {left} to do",
    "hours.over": "rests      {destination}, which works {hours}; {left} to do",
}
"""What a person on a terminal is told; other events are said when they warn."""

_TOLD: Final = frozenset({*_IN_WORDS, "job.ended"})
_WARNS: Final = frozenset({"warning", "error", "critical"})
_INDENT: Final = "\n" + " " * 18


def _is_for_people(record: logging.LogRecord) -> bool:
    event = record.msg.get("event") if isinstance(record.msg, dict) else ""
    return event in _TOLD or record.levelno >= logging.WARNING


def read_last_events(file: Path, number: int) -> list[str]:
    """Return the last events of a log that people are told of, in words; none where it is missing.

    Raises
    ------
    StorageError
        When it cannot be read.
    """
    said: deque[str] = deque(maxlen=number)
    try:
        with file.open(encoding="utf-8", errors="replace") as lines:
            for line in lines:
                try:
                    event = json.loads(line)
                    is_told = (
                        event["event"] in {*_IN_WORDS, "job.ended"} or event["level"] in _WARNS
                    )
                    day = datetime.fromisoformat(event["timestamp"]).astimezone().date()
                    said.extend([f"{day}  {_say(None, '', event)}"] if is_told else [])
                except (ValueError, KeyError, TypeError):
                    continue  # it was cut off, or is of another version
    except FileNotFoundError:
        return []
    except OSError as error:
        raise StorageError(f"{file} cannot be read: {error.strerror}") from error
    return list(said)


def _say(_logger: object, _method: str, event: EventDict) -> str:
    """Say an event as a line that begins with the time, by the clocks here."""
    time = clock_time(datetime.fromisoformat(str(event["timestamp"])).timestamp())[:5]
    name = str(event["event"])
    shown = defaultdict(str, {key: display_name(str(value)) for key, value in event.items()})
    if name == "job.ended":
        lines = [f"{event['state']:<9}  {shown['destination']}: {shown['file']}"]
        lines[0] += f" → {shown['size']}" if event["size"] and event["state"] == "delivered" else ""
        lines += [display_name(str(each)) for each in event["reasons"]]
        lines += [f"To be looked at: {display_name(str(each))}" for each in event["warnings"]]
        if event["state"] == "held":
            lines.append(f"For you to decide: job {shown['job']}; its why.txt says how")
        said = _INDENT.join(lines)
    elif name in _IN_WORDS:
        said = _IN_WORDS[name].format_map(shown)
    else:
        words = name.replace(".", " ").replace("_", " ")
        why = shown.get("reason") or shown.get("message") or shown.get("exception", "")
        said = f"{words}: {why}" if why else words
    return f"{time}  {said}"


def _dumps(event: object, **options: Any) -> str:
    return json.dumps(event, ensure_ascii=True, **options)


def utc_now() -> str:
    """Now, in UTC to the second with a Z: how status, lock and log say a time."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
