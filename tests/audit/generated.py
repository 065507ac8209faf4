"""Books of a print room that never was: records by the thousand, the same for the same seed.

Records of the second year say in facts what was measured, as today's do. Three destinations over
two years. The canvas gets another profile after a year, with which more is lost; the book's profile
changes and nothing with it; the web's never does.
"""

from __future__ import annotations

import hashlib
import json
import random
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hotfolder.ledger import record_index
from hotfolder.ledger.jobs import Ledger
from hotfolder.ledger.record_log import LOG_FILE, START, link
from hotfolder.model.records import Record

BEGIN = datetime(2024, 11, 1, tzinfo=UTC)
LENGTH = timedelta(days=730)
CHANGED = BEGIN + LENGTH / 2
DESTINATIONS = ("book-pages", "fine-art-canvas", "web-gallery")
MEAN_LOST = {"book-pages": 0.01, "fine-art-canvas": 0.03, "web-gallery": 0.002}
_PLACES = ("mudflat", "creek", "sluice", "saltings", "ferry steps", "wrack line", "oyster beds")
_STATES = ("delivered", "held", "refused")


def digest(*parts: object) -> str:
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def profile_of(destination: str, at: datetime) -> dict[str, str]:
    """The profile of a destination's results at a time."""
    edition = "second" if destination != "web-gallery" and at >= CHANGED else "first"
    return {
        "description": f"{destination}, {edition} profile",
        "sha256": digest(destination, edition),
    }


def record_of(number: int, total: int, seed: int = 1) -> dict[str, Any]:
    """One record, as JSON has it."""
    chance = random.Random(f"{seed} {number}")
    at = BEGIN + LENGTH * (number / total)
    destination = DESTINATIONS[number % 3]
    profile = profile_of(destination, at)
    lost = min(1.0, chance.expovariate(1 / MEAN_LOST[destination]))
    if destination == "fine-art-canvas" and at >= CHANGED:
        lost = min(1.0, lost * 2.5)
    state = "held" if lost > 0.1 else "refused" if chance.random() < 0.01 else "delivered"
    place = chance.choice(_PLACES)
    name = f"{place} {number % 5000:04}.tif"
    job = f"{at:%Y%m%d-%H%M%S}-{digest(seed, number)[:8]}"
    finished = (at + timedelta(seconds=40)).isoformat(timespec="milliseconds")
    gamut = {
        "tolerance_delta_e_00": 3.0,
        "effective_tolerance_delta_e_00": 3.0,
        "out_of_gamut_share": round(lost, 6),
        "lost_by_hue": {"green": 0.7, "yellow": 0.3} if number % 4 else {"blue": 1.0},
        "delta_e_00": {
            "mean": round(0.2 + 8 * lost, 3),
            "p95": round(0.5 + 40 * lost, 3),
            "p99": round(1 + 60 * lost, 3),
            "max": round(2 + 90 * lost, 3),
        },
    }
    result = {
        "path": f"/r/out/{destination}/{name}",
        "sha256": digest("result", seed, number),
        "bytes": 4000,
        "format": "tiff",
        "width_px": 3600,
        "height_px": 2400,
        "bits": 16,
        "colour_space": "RGB",
        "ppi": 150.0,
        "profile": profile,
        "notes": [],
    }
    refused = state == "refused"
    released = state == "delivered" and number % 17 == 0
    reasons = ["gamut-loss", "too-small"] if number % 34 else ["gamut-loss"]
    facts = {
        "share_lost": gamut["out_of_gamut_share"],
        "share_out_of_gamut": round(lost / 2, 6),
        "tolerance_delta_e_00": 3.0,
        **{f"delta_e_{name}": gamut["delta_e_00"][name] for name in ("mean", "p95", "max")},
        "hues": gamut["lost_by_hue"],
    }
    return {
        "schema_version": 1,
        "job": job,
        "destination": destination,
        "state": state,
        "original": {
            "name": name,
            "sha256": digest("original", seed, number % 20000),
            "bytes": 2000,
        },
        "results": [] if refused else [result],
        "attachments": [],
        "reasons": [
            {"stage": "gamut-check", "code": code, "message": "It is."}
            for code in (reasons if released else ())
        ],
        "findings": {} if refused else {"gamut-check": gamut},
        "facts": None if refused or at < CHANGED else facts,
        "stages": [{"stage": "sizing", "elapsed_s": 2.5, "settings": {"ppi": 150.0}}],
        "versions": {"hotfolder": "0.1.0"},
        "source": name,
        "original_kept": f"/r/originals/{destination}/{name}",
        "attempts": 1,
        "arrived": at.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "finished": finished.replace("+00:00", "Z"),
        "release": {"who": "An", "why": "", "at": "2026-01-05T00:00:00Z"} if released else None,
        "machine": "quay" if number % 5 else "loft",
        "earlier_jobs": [],
        "batch": f"estuary book {number // 120}" if destination == "book-pages" else None,
    }


def fill(ledger: Path, number: int, *, seed: int = 1, out: Path | None = None) -> None:
    """Write `number` ended jobs into a new ledger, and into the logs below `out`."""
    ledger.parent.mkdir(parents=True, exist_ok=True)
    Ledger(ledger).close()
    last = dict.fromkeys(DESTINATIONS, START)
    lines: dict[str, list[bytes]] = {name: [] for name in DESTINATIONS}
    with closing(sqlite3.connect(ledger)) as db, db:
        for each in range(number):
            record = record_of(each, number, seed)
            destination = record["destination"]
            if out:
                record["previous_sha256"] = last[destination]
            line = json.dumps(record).encode() + b"\n"
            if out:
                last[destination] = link(line)
                lines[destination].append(line)
            db.execute(
                "INSERT INTO jobs (id, destination, source, kind, state, bytes, sha256, arrived,"
                " changed, record) VALUES (?, ?, ?, 'file', ?, 2000, ?, ?, ?, ?)",
                (
                    record["job"],
                    destination,
                    record["source"].encode(),
                    record["state"],
                    record["original"]["sha256"],
                    record["arrived"],
                    record["finished"],
                    json.dumps(record),
                ),
            )
            record_index.insert(
                db, Record.model_validate(record), last[destination] if out else None
            )
    for name, written in lines.items():
        if out:
            (out / name).mkdir(parents=True, exist_ok=True)
            (out / name / LOG_FILE).write_bytes(b"".join(written))
