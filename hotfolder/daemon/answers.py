"""Nothing of what a worker says is believed before it is looked at; then it is brought to disk."""

from __future__ import annotations

from pathlib import Path

from hotfolder.disk import durable
from hotfolder.model.answer import Answer


def check_answer(folder: Path, answer: Answer) -> Answer:
    """The answer, if every file it speaks of is there and is what it says."""
    if answer.verdict == "failed":
        return answer
    if answer.work is None:
        return Answer(verdict="failed", message="the worker did not say what it did")
    for result in answer.work.files():
        path = folder / result.path
        if Path(result.path).name != result.path:
            return Answer(verdict="failed", message="the worker named a file elsewhere")
        try:
            found = durable.sha256_of(path)
        except FileNotFoundError:
            return Answer(verdict="failed", message="the worker's result is missing")
        if found != (result.sha256, result.bytes):
            return Answer(
                verdict="failed", message="the worker's result is not what the worker said"
            )
    if answer.verdict == "deliver" and not answer.work.results:
        return Answer(verdict="failed", message="the worker made no result")
    return answer


def flush_files(folder: Path, answer: Answer) -> None:
    """Bring to disk what was made, before the ledger says so.

    After a power cut nobody looks again.
    """
    files = answer.work.files() if answer.work else ()
    for made in files:
        durable.flush(folder / made.path, made.sha256)
    if files:
        durable.fsync_folder(folder)
