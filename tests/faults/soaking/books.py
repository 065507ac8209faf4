"""The books of a soak: every file that arrived against all that the root holds at the end."""

from __future__ import annotations

import hashlib
import json
import os
from collections import Counter
from pathlib import Path
from typing import Any

from faults.killing import check_chain
from faults.soaking.place import DESTINATIONS, WEB, Place
from faults.soaking.senders import Senders
from faults.soaking.troubles import Troubles, is_result
from hotfolder.intake.scan import scan
from hotfolder.intake.sidecars import is_sidecar
from hotfolder.ledger.jobs import read_jobs

_JOB_FILES = {"record.json", "why.txt", "release.json"}


class Books:
    """Looks at a root that has come to rest; `wrong` says all that does not add up."""

    def __init__(self, place: Place, senders: Senders, troubles: Troubles) -> None:
        self.place, self.senders, self.troubles = place, senders, troubles
        self.wrong: list[str] = []
        self.ends: Counter[str] = Counter()
        self.logged: list[dict[str, Any]] = []
        self._known: set[Path] = set()
        """Files below the root that a record speaks of."""

    def check(self) -> list[str]:
        """Look at everything."""
        self._read_logs()
        self._nothing_waits()
        for record in self.logged:
            self._original(record)
            self._files_of(record)
        self._totals()
        self._sidecars()
        self._nothing_else()
        self._outside()
        return self.wrong

    def _read_logs(self) -> None:
        latest: dict[str, dict[str, Any]] = {}
        for name in DESTINATIONS:
            log = self.place.root.path / "out" / name / "log.jsonl"
            if log.exists():
                try:
                    check_chain(log)
                except AssertionError as error:
                    self.wrong.append(str(error))
                for line in log.read_bytes().splitlines():
                    record = json.loads(line)
                    latest[record["job"]] = record
        self.logged = list(latest.values())
        rows = read_jobs(self.place.root.ledger, ended=True)
        ledger = {row.id: json.loads(row.record_text or "null") for row in rows}
        if ledger != latest:
            differing = {job for job in {*ledger, *latest} if ledger.get(job) != latest.get(job)}
            self.wrong.append(f"log and ledger disagree about {sorted(differing)[:5]}")
        for record in self.logged:
            end = "discarded" if record.get("discarded") else record["state"]
            self.ends[end] += 1

    def _nothing_waits(self) -> None:
        open_jobs = read_jobs(self.place.root.ledger)
        waiting = [
            each.relative
            for name in DESTINATIONS
            for each in scan(self.place.root.path / "in" / name).candidates
            if not is_sidecar(each)  # its picture was taken back, or never came
        ]
        self.ends["waiting"] = len(open_jobs) + len(waiting)
        if waiting or open_jobs:
            states = [(row.id, row.state.value) for row in open_jobs]
            self.wrong.append(f"still waiting: {waiting[:5]} {states[:5]}")
        spool = sorted(path.name for path in self.place.root.spool.iterdir())
        left = sorted(set(spool) - {row.id for row in open_jobs})
        if left:
            self.wrong.append(f"left in the spool: {left[:5]}")

    def _original(self, record: dict[str, Any]) -> None:
        kept = self.place.root.path / record["original_kept"]
        sha256 = record["original"].get("sha256")
        self._known.add(kept)
        if sha256 is None:
            self._check(os.path.lexists(kept), f"{record['job']}: {kept} is not there")
            for inside in kept.rglob("*") if kept.is_dir() and not kept.is_symlink() else ():
                self._known.add(inside)
                self.senders.inside[_sha256(inside)] -= 1
            return
        found = _sha256(kept) if kept.is_file() and not kept.is_symlink() else "nothing"
        self._check(found == sha256, f"{record['job']}: original {kept} is {found}, not {sha256}")

    def _files_of(self, record: dict[str, Any]) -> None:
        delivered = record["state"] == "delivered"
        results = record["results"]
        asked_for = 2 if record["destination"] == WEB else 1
        self._check(not delivered or len(results) == asked_for, f"{record['job']}: {results}")
        for each in [*record["results"], *record.get("attachments", [])]:
            path = self.place.root.path / each["path"]
            if record.get("discarded"):
                continue
            if delivered and each in record["results"]:
                entry = (str(path), each["sha256"])
                if entry in self.troubles.collected:
                    self.troubles.collected.remove(entry)
                    continue
            self._known.add(path)
            found = _sha256(path) if path.is_file() else "nothing"
            self._check(
                found == each["sha256"], f"{record['job']}: {path} is {found}, not as recorded"
            )

    def _totals(self) -> None:
        hashes = Counter(r["original"].get("sha256") for r in self.logged)
        no_files = hashes.pop(None, 0)
        arrived = +self.senders.arrived
        if hashes != arrived:
            self.wrong.append(
                f"arrived and not recorded: {list((arrived - hashes).items())[:5]}; "
                f"recorded and not arrived: {list((hashes - arrived).items())[:5]}"
            )
        dropped = self.senders.no_files.total()
        self._check(no_files == dropped, f"{dropped} links, pipes, folders; {no_files} recorded")
        self._check(not +self.senders.inside, "files of dropped folders are missing")
        self._check(not -self.senders.inside, "files in dropped folders that nobody has dropped")
        collected = self.troubles.collected
        self._check(not collected, f"results that no record speaks of: {collected[:5]}")

    def _sidecars(self) -> None:
        """Every sidecar went with one picture, or waits for one."""
        found = Counter(
            each["sha256"]
            for record in self.logged
            for each in record.get("attachments", [])
            if each["kind"] == "sidecar"
        )
        for path in (self.place.root.path / "in").rglob("*.xmp"):
            found[_sha256(path)] += 1
            self._known.add(path)
        arrived = self.senders.sidecars
        lost, strange = list((arrived - found).items())[:5], list((found - arrived).items())[:5]
        self._check(found == arrived, f"sidecars lost: {lost}; twice: {strange}")

    def _nothing_else(self) -> None:
        """No file below the root that is neither ours nor spoken of: no second result, no rest."""
        root = self.place.root.path
        strange = []
        for kind in ("out", "held", "refused", "originals", "release", "in"):
            for path in (root / kind).rglob("*"):
                if path.is_dir() and not path.is_symlink():
                    continue
                if path in self._known or path.name == ".hotfolder-folder":
                    continue
                parts = path.relative_to(root / kind).parts
                if kind == "out" and not is_result(path, root / kind / parts[0]):
                    if path.name in {"log.jsonl", "index.html"}:
                        continue
                elif (len(parts) == 2 and path.name == "index.html") or (
                    kind in {"held", "refused"} and len(parts) == 3 and parts[2] in _JOB_FILES
                ):
                    continue
                strange.append(str(path))
        self._check(not strange, f"files that nobody knows: {strange[:5]}")

    def _outside(self) -> None:
        for name in DESTINATIONS:
            folder = self.place.aside(name)
            self._check(
                (folder / "canary.tif").read_bytes() == b"not yours\n" * 10,
                "the canary has changed",
            )
            strange = [
                each.name
                for each in folder.iterdir()
                if not each.name.startswith("mine-") and each.name != "canary.tif"
            ]
            self._check(not strange, f"files outside the root: {strange[:5]}")

    def _check(self, right: object, said: str) -> None:
        if not right:
            self.wrong.append(said)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
