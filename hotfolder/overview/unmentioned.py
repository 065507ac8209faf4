"""What lies in a root and is mentioned nowhere in its ledger: an older one was put back.

The next start takes all of it up (`daemon.take_up`); this says it before.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from hotfolder.batch.found import describe_resting, list_resting
from hotfolder.disk import durable
from hotfolder.errors import StorageError
from hotfolder.intake.claim import LINKED, ORIGINAL
from hotfolder.ledger.jobs import link
from hotfolder.ledger.lock import find_holder
from hotfolder.ledger.log_years import LOG_FILE
from hotfolder.ledger.reading import LedgerReader, open_reader
from hotfolder.ledger.record_log import read_last_lines
from hotfolder.model.records import read_record
from hotfolder.settings.root import DestinationFolders, Root

_JOB = re.compile(r"\d{8}-\d{6}-[0-9a-f]{8}")
_TAIL_BYTES = 64 * 2**10


def find_unmentioned(root: Root, folders: Mapping[str, DestinationFolders]) -> list[str]:
    """Say what is mentioned nowhere, and what becomes of it, as sentences.

    A daemon that serves the root is just bringing things from one place to the next, and has
    compared them when it started: then only what waits for a person is said.
    """
    try:
        with open_reader(root.ledger) as ledger:
            said = [describe_resting(*each) for each in list_resting(ledger)]
            if find_holder(root) is None and root.ledger.exists():
                said += _compare_spool(root, ledger)
                for name, each in folders.items():
                    said += _compare_log(ledger, name, each)
    except (StorageError, OSError) as error:
        return [str(error)]  # starting says it too, and mends what can be mended
    return said


def _compare_spool(root: Root, ledger: LedgerReader) -> list[str]:
    places = sorted(root.spool.iterdir()) if root.spool.is_dir() else []
    strangers = []
    for place in places:
        if not _JOB.fullmatch(place.name):
            strangers.append(place.name)
            continue
        row = ledger.find_job(place.name)
        has_original = any(durable.is_kept(place / each) for each in (ORIGINAL, LINKED))
        if has_original and (row is None or row.state.is_end):
            strangers.append(place.name)
    known = [name for name in strangers if _JOB.fullmatch(name)]
    said = []
    if known:
        said.append(
            f"{root.spool}: the ledger knows nothing of what is being done with "
            f"{len(known)} original(s), the first in {known[0]}: an older ledger was put back. "
            "Start `hotfolder watch` or `hotfolder sweep`: they are taken in again, or held"
        )
    said += [
        f"{root.spool / name} is nothing of ours: move it away; a picture, into a hot folder"
        for name in strangers
        if name not in known
    ]
    return said


def _compare_log(ledger: LedgerReader, name: str, folders: DestinationFolders) -> list[str]:
    log = folders.results / LOG_FILE
    lines = read_last_lines(log, _TAIL_BYTES)
    if not lines:
        return []
    try:
        record = read_record(lines[-1])
    except ValueError:
        return [f"{log}: the last line is no record; `hotfolder audit --verify` says more"]
    known = ledger.read("SELECT line_sha256 FROM records WHERE job = ?", (record.job,))
    if any(sha256 in {None, link(lines[-1])} for (sha256,) in known):
        return []
    row = ledger.find_job(record.job)
    if row is not None and not row.state.is_end:
        return []  # a kill came before the ledger was told
    said = (
        f"{name}: {log} has records that the ledger does not know: an older ledger was put back. "
        "Start `hotfolder watch` or `hotfolder sweep`: what they say is taken over"
    )
    return [said]
