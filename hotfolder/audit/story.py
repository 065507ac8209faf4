"""The whole story of one file, recognised by its content: renaming it does not matter."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from hotfolder.disk import durable
from hotfolder.errors import Problem, SettingsError
from hotfolder.model.records import end_of
from hotfolder.settings.root import Root


def story_of(db: sqlite3.Connection, root: Root, file: Path) -> dict[str, Any]:
    """Return every job that a file was the original or the result of, as JSON values.

    Raises
    ------
    SettingsError
        When the file cannot be read.
    """
    try:
        sha256 = durable.sha256_of(file).sha256
    except OSError as error:
        reason = error.strerror or str(error)
        raise SettingsError([Problem(str(file), "", reason, "a file that can be read")]) from error
    rows = db.execute(
        "SELECT DISTINCT job FROM records WHERE original_sha256 = ? OR result_sha256 = ?"
        " ORDER BY number",
        (sha256, sha256),
    )
    jobs = [_job(db, job, sha256) for (job,) in rows.fetchall()]
    return {
        "file": str(file),
        "sha256": sha256,
        "root": str(root.path),
        "jobs": [each for each in jobs if each],
    }


def _job(db: sqlite3.Connection, job: str, sha256: str) -> dict[str, Any] | None:
    row = db.execute(
        "SELECT record, seq, destination, source, state FROM jobs WHERE id = ?", (job,)
    ).fetchone()
    if row is None or row["record"] is None:
        return None
    record = json.loads(row["record"])
    is_original = record["original"]["sha256"] == sha256
    return {
        "job": job,
        "destination": row["destination"],
        "the_file_is": "the original" if is_original else "the result",
        "state": end_of(row["state"], record),
        "events": _events(db, record),
        "original": {**record["original"], **_place(record["original_kept"])},
        "results": [{**each, **_place(each["path"])} for each in record["results"]],
        "stages": record["stages"],
        "findings": record["findings"],
        "reasons": record["reasons"],
        "release": record["release"],
        "earlier_jobs": record["earlier_jobs"],
        "other_jobs": _others(db, job, record, row),
        "versions": record["versions"],
    }


def _events(db: sqlite3.Connection, record: Mapping[str, Any]) -> list[dict[str, str]]:
    """What happened to a job, in order of time."""
    events = [{"at": record["arrived"], "what": "arrived", "text": record["source"]}]
    rows = db.execute(
        "SELECT finished, state, dropped_at FROM records WHERE job = ? ORDER BY number",
        (record["job"],),
    )
    reasons = " ".join(reason["message"] for reason in record["reasons"])
    for finished, state, dropped_at in rows:
        if state == "dropped":
            until = (record.get("dropped") or {}).get("original_kept_until")
            text = f"its folder was deleted{f'; original kept until {until}' if until else ''}"
            events.append({"at": dropped_at or finished, "what": "dropped", "text": text})
        else:
            text = reasons if state != "delivered" else ""
            events.append({"at": finished, "what": state, "text": text})
    if release := record["release"]:
        who = release["who"] or "somebody, by moving it"
        changes = json.dumps(release["changes"], ensure_ascii=False) if release["changes"] else ""
        text = f"by {who}{': ' if release['why'] else ''}{release['why']}"
        text += f"; changed: {changes}" if changes else ""
        events.append({"at": release["at"], "what": "released", "text": text})
    return sorted(events, key=lambda event: event["at"])


def _place(path: str) -> dict[str, Any]:
    return {"path": path, "is_there": os.path.lexists(path)}


def _others(
    db: sqlite3.Connection, job: str, record: Mapping[str, Any], row: Mapping[str, Any]
) -> list[dict[str, str]]:
    """Other jobs of the same picture, or of its result, or of the same name in the same folder."""
    hashes = [record["original"]["sha256"], *(each["sha256"] for each in record["results"])]
    known = [each for each in hashes if each]
    marks = ", ".join("?" * len(known))
    found = db.execute(
        "SELECT job, destination, state, finished, original_sha256, result_sha256 FROM records"  # noqa: S608
        f" WHERE latest = 1 AND job != ? AND (original_sha256 IN ({marks})"
        f" OR result_sha256 IN ({marks}) OR job IN"
        " (SELECT id FROM jobs WHERE destination = ? AND source = ?)) ORDER BY number",
        (job, *known, *known, row["destination"], row["source"]),
    )
    others = []
    for other in found:
        if record["original"]["sha256"] and other["original_sha256"] == hashes[0]:
            why = "the same original"
        elif other["original_sha256"] in known:
            why = "made from this result"
        elif other["result_sha256"] in known:
            why = "made this original"
        else:
            why = "another picture of the same name"
        others.append(
            {
                "job": other["job"],
                "destination": other["destination"],
                "state": other["state"],
                "finished": other["finished"],
                "why": why,
            }
        )
    return others


def story_in_words(story: Mapping[str, Any]) -> list[str]:
    """Tell a story in lines for a person."""
    lines = [f"{story['file']}", f"SHA-256 {story['sha256']}"]
    if not story["jobs"]:
        return [*lines, f"{story['root']} has no record of a file with this content."]
    for each in story["jobs"]:
        lines += ["", f"It is {each['the_file_is']} of job {each['job']} ({each['destination']})."]
        for event in each["events"]:
            text = f": {event['text']}" if event["text"] else ""
            lines.append(f"  {_local(event['at'])}  {event['what']}{text}")
        original = each["original"]
        lines.append(f"  original: {original['name']}, {_made_of(original)}")
        lines.append(f"    kept: {_where(original)}")
        for result in each["results"]:
            lines.append(f"  result: {_made_of(result)}")
            put = {"delivered": "put", "dropped": "waited"}.get(each["state"], "waits")
            lines.append(f"    {put}: {_where(result)}")
        lines += _lost(each["findings"])
        for stage in each["stages"]:
            settings = ", ".join(
                f"{key} {value}" for key, value in stage["settings"].items() if value is not None
            )
            lines.append(f"  {stage['stage']}, {stage['elapsed_s']:.1f} s: {settings}")
        if each["versions"]:
            made_by = ", ".join(f"{name} {number}" for name, number in each["versions"].items())
            lines.append(f"  made by {made_by}")
        for other in each["other_jobs"]:
            lines.append(
                f"  see also {other['job']} ({other['destination']}, {other['state']}, "
                f"{_local(other['finished'])}): {other['why']}"
            )
    return lines


def _lost(findings: Mapping[str, Any]) -> list[str]:
    gamut = findings.get("gamut-check")
    if not isinstance(gamut, dict) or not isinstance(gamut.get("out_of_gamut_share"), int | float):
        return []
    words = gamut.get("lost_in_words")
    which = f", {words}" if words else ""
    return [f"  lost: {gamut['out_of_gamut_share']:.1%} of the picture{which}"]


def _made_of(file: Mapping[str, Any]) -> str:
    size = f"{file['width_px']} × {file['height_px']} px, " if file["width_px"] else ""
    profile = file["profile"]
    named = f"{profile['description']} ({profile['sha256'][:12]}…)" if profile else "no profile"
    assumed = ", assumed" if profile and profile.get("assumed") else ""
    return f"{size}{file['colour_space'] or 'colours unknown'}, {named}{assumed}"


def _where(file: Mapping[str, Any]) -> str:
    return f"{file['path']}{'' if file['is_there'] else ' (no longer there)'}"


def _local(text: str) -> str:
    return f"{datetime.fromisoformat(text).astimezone():%Y-%m-%d %H:%M:%S}"
