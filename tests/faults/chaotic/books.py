"""The books of the chaos run: every file that was dropped against all that there is, by hash."""

from __future__ import annotations

import hashlib
import json
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

from faults.chaotic.crowd import Crowd
from faults.chaotic.place import Place, all_files, is_marker
from faults.killing import check_chain
from hotfolder.ledger.jobs import read_jobs


class Books:
    """Looks at a desk that has come to rest; `wrong` says all that does not add up."""

    def __init__(self, place: Place, crowd: Crowd) -> None:
        self.place, self.crowd = place, crowd
        self.wrong: list[str] = []
        self.ends: Counter[str] = Counter()
        self._where: dict[str, list[Path]] = defaultdict(list)
        """Every file that there is, hidden names included, by SHA-256."""

    def check(self) -> list[str]:
        """Look at everything."""
        self._find_files()
        records = self._read_logs()
        rows = {row.id: row for row in read_jobs(self.place.root.ledger, ended=True)}
        for row in read_jobs(self.place.root.ledger):
            self.wrong.append(f"job {row.id} has not ended: {row.state}")
        self._compare(records, {job: json.loads(row.record_text) for job, row in rows.items()})
        self._count_originals(records)
        self._count_results(records)
        self._look_for_hidden()
        return self.wrong

    def _find_files(self) -> None:
        for path in all_files(self.place.disk, self.place.share):
            if path.is_file() and not path.is_symlink():
                self._where[hashlib.sha256(path.read_bytes()).hexdigest()].append(path)

    def _read_logs(self) -> dict[str, dict[str, Any]]:
        latest: dict[str, dict[str, Any]] = {}
        lines: list[tuple[str, str, dict[str, Any]]] = []
        for log in all_files(self.place.disk, self.place.share):
            if log.name != "log.jsonl" or not log.is_file() or "in" in log.parts:
                continue
            for line in log.read_bytes().splitlines():
                record = json.loads(line)
                lines.append((record["finished"], record["job"], record))
        # where settings have moved the results, what a log had stays in the old place as well
        for _, job, record in sorted(lines, key=lambda each: each[0]):
            before = latest.get(job)
            if before is None or not before.get("discarded") or record["state"] == "delivered":
                latest[job] = record
        for name in self.place.destinations:
            log = self.place.folders(name).results / "log.jsonl"
            if log.exists():
                try:
                    check_chain(log)
                except AssertionError as error:
                    self.wrong.append(str(error))
        return latest

    def _compare(self, logged: dict[str, Any], ledger: dict[str, Any]) -> None:
        for job in sorted({*logged, *ledger}):
            if logged.get(job) != ledger.get(job):
                said = [each and each["state"] for each in (logged.get(job), ledger.get(job))]
                self.wrong.append(f"log and ledger disagree about job {job}: {said}")
        for record in logged.values():
            self.ends["discarded" if record.get("discarded") else record["state"]] += 1

    def _count_originals(self, records: dict[str, Any]) -> None:
        by_hash: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for record in records.values():
            by_hash[record["original"]["sha256"]].append(record)
        for sha256, name in self.crowd.arrived.items():
            ended = by_hash.pop(sha256, [])
            if not self._where.get(sha256):
                self.wrong.append(f"{sha256[:8]}, dropped for {name}, is lost: {_short(ended)}")
            if len(ended) != 1:
                self.wrong.append(
                    f"{sha256[:8]}, dropped for {name}, has {len(ended)} ends: {_short(ended)}; "
                    f"it is at {[str(each) for each in self._where[sha256]]}"
                )
                continue
            (record,) = ended
            kept = self.place.root.path / record["original_kept"]
            if self.place.behind(kept) not in self._where[sha256] and not (
                kept in self._where[sha256] or record["state"] == "held"
            ):
                self.wrong.append(f"{sha256[:8]} is not where its record says: {kept}")
        for sha256, ended in by_hash.items():
            if sha256 not in self.crowd.edited:
                self.wrong.append(f"nobody dropped {sha256[:8]}: {_short(ended)}")

    def _count_results(self, records: dict[str, Any]) -> None:
        expected: Counter[str] = Counter()
        for record in records.values():
            for result in record["results"] if record["state"] == "delivered" else ():
                expected[result["sha256"]] += 1
        for sha256, number in expected.items():
            there = [
                path
                for path in self._where.get(sha256, [])
                if not {"held", "release", ".hotfolder"} & set(path.parts)
            ]
            if len(there) != number:
                self.wrong.append(
                    f"result {sha256[:8]} should be there {number} times and is at "
                    f"{[str(each) for each in there]}"
                )
        delivered = {path for sha256 in expected for path in self._where.get(sha256, [])}
        disk, share = self.place.disk, self.place.share
        places = (
            disk / "root/out",
            disk / "taken",
            share / "out",
            share / "hangs",
            share / "taken",
        )
        strange = [
            str(path)
            for path in all_files(*places)
            if path.suffix == ".tif" and path not in delivered and path.is_file()
        ]
        if strange:
            self.wrong.append(f"results that no record speaks of: {strange[:5]}")

    def _look_for_hidden(self) -> None:
        hidden = [
            str(path)
            for path in all_files(self.place.disk, self.place.share)
            if any(part.startswith(".hotfolder-") for part in path.parts) and not is_marker(path)
        ]
        if hidden:
            self.wrong.append(f"temporary names are left: {hidden[:5]}")
        spool = [path.name for path in self.place.root.spool.iterdir()]
        if spool:
            self.wrong.append(f"left in the spool: {spool[:5]}")


def _short(records: list[dict[str, Any]]) -> list[tuple[str, str]]:
    return [(record["job"], record["state"]) for record in records]
