"""The whole story of one file, recognised by its content: renaming it does not matter."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Final, NotRequired, TypedDict

from pydantic import JsonValue, TypeAdapter

from hotfolder.disk import durable
from hotfolder.errors import PluginError, Problem, SettingsError
from hotfolder.ledger.reading import JobRow, LedgerReader
from hotfolder.ledger.roots import find_places
from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.encoding import colours_in_words
from hotfolder.model.ends import End
from hotfolder.model.facts import Facts, describe_column
from hotfolder.model.records import Changes, OriginalRecord, Record, ResultRecord, format_time
from hotfolder.model.units import say_share
from hotfolder.pages.words import describe_changes, local_time
from hotfolder.settings.root import Root
from hotfolder.stages.contract import AnyStage
from hotfolder.stages.in_words import describe_settings
from hotfolder.stages.registry import load_registry

_FACTS: Final = TypeAdapter(Facts)


class Event(TypedDict):
    """Something that happened to a job."""

    at: str
    """UTC, as records have times."""
    what: str
    text: str


class StoryProfile(TypedDict):
    """A profile of the file; ``assumed`` where it was not in it."""

    description: str
    sha256: str
    assumed: NotRequired[bool]


class StoryFile(TypedDict):
    """An original or a result: what its record says, where it was put, and whether it is there."""

    name: NotRequired[str]
    sha256: str | None
    bytes: int
    format: str | None
    width_px: int | None
    height_px: int | None
    bits: int | None
    colour_space: str | None
    profile: StoryProfile | None
    ppi: float | None
    pages: NotRequired[int | None]
    notes: list[str]
    variant: NotRequired[str]
    """Of a result: which of several it is."""
    path: str
    is_there: bool


class StoryStage(TypedDict):
    """A stage that ran."""

    stage: str
    elapsed_s: float
    settings: dict[str, JsonValue]
    """As the record has them: lengths in millimetres."""
    in_words: list[str]
    """Those that are not as usual, as a person would write them."""


class StoryReason(TypedDict):
    """Why the job was held or refused."""

    stage: str
    code: str
    message: str


class StoryRelease(TypedDict):
    """A person's decision to deliver the job."""

    who: str
    why: str
    at: str
    changes: Changes


class OtherJob(TypedDict):
    """Another job that has to do with the same picture."""

    job: str
    destination: str
    state: str
    finished: str
    why: str


class JobStory(TypedDict):
    """A job that the file was the original or the result of."""

    job: str
    destination: str
    the_file_is: str
    state: str
    events: list[Event]
    original: StoryFile
    results: list[StoryFile]
    stages: list[StoryStage]
    findings: dict[str, dict[str, JsonValue]]
    facts: dict[str, JsonValue]
    """What the findings mean, under the names of `Facts`."""
    facts_left_out: dict[str, str]
    reasons: list[StoryReason]
    release: StoryRelease | None
    earlier_jobs: list[str]
    other_jobs: list[OtherJob]
    versions: dict[str, str]
    machine: str | None
    """Which machine made it; None where there is one machine."""


class Story(TypedDict):
    """Everything that is known of a file."""

    file: str
    sha256: str
    root: str
    jobs: list[JobStory]


def tell_story(db: sqlite3.Connection, root: Root, file: Path) -> Story:
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
        " OR number IN (SELECT number FROM other_results WHERE sha256 = ?) ORDER BY number",
        (sha256, sha256, sha256),
    )
    ledger = LedgerReader(db, find_places(db, root.path))
    stages = _find_stages(root)
    jobs = [_tell_job(ledger, job, sha256, stages) for (job,) in rows.fetchall()]
    return {
        "file": str(file),
        "sha256": sha256,
        "root": str(root.path),
        "jobs": [each for each in jobs if each],
    }


def tell_job(db: sqlite3.Connection, root: Root, job: str) -> JobStory | None:
    """Return the whole story of one job; None when it has no record."""
    return _tell_job(LedgerReader(db, find_places(db, root.path)), job, "", _find_stages(root))


def _find_stages(root: Root) -> Mapping[str, type[AnyStage]]:
    """Every stage by name; none when one cannot be loaded, which others say."""
    try:
        return load_registry(root.plugins).stages
    except PluginError:
        return {}


def _tell_job(
    ledger: LedgerReader, job: str, sha256: str, stages: Mapping[str, type[AnyStage]]
) -> JobStory | None:
    row = ledger.find_job(job)
    record = row.record if row else None
    if row is None or record is None:
        return None
    is_original = record.original.sha256 == sha256
    release = record.release
    return {
        "job": job,
        "destination": row.destination,
        "the_file_is": "the original" if is_original else "the result",
        "state": row.end or row.state,
        "events": sorted(
            [*list_events(ledger.db, record), *list_later(ledger, row)], key=lambda each: each["at"]
        ),
        "original": _tell_original(record.original, record.original_kept),
        "results": [_tell_result(each) for each in record.results],
        "stages": [
            {
                "stage": each.stage,
                "elapsed_s": each.elapsed_s,
                "settings": each.settings,
                "in_words": describe_settings(
                    stages[each.stage].Settings if each.stage in stages else None, each.settings
                ),
            }
            for each in record.stages
        ],
        "findings": record.findings,
        "facts": _FACTS.dump_python(find_facts(record), mode="json"),
        "facts_left_out": record.facts_left_out,
        "reasons": [
            {"stage": each.stage, "code": each.code, "message": each.message}
            for each in record.reasons
        ],
        "release": {
            "who": release.who,
            "why": release.why,
            "at": format_time(release.at),
            "changes": release.changes,
        }
        if release
        else None,
        "earlier_jobs": list(record.earlier_jobs),
        "other_jobs": _list_others(ledger.db, record, row.source),
        "versions": record.versions,
        "machine": record.machine,
    }


def list_events(db: sqlite3.Connection, record: Record) -> list[Event]:
    """What happened to a job, in order of time."""
    events: list[Event] = [
        {"at": format_time(record.arrived), "what": "arrived", "text": record.source}
    ]
    rows = db.execute(
        "SELECT finished, state, discarded_at FROM records WHERE job = ? ORDER BY number",
        (record.job,),
    )
    reasons = " ".join(reason.message for reason in record.reasons)
    for finished, state, discarded_at in rows:
        if state == End.DISCARDED:
            until = record.discarded.original_kept_until if record.discarded else None
            kept = f"; original kept until {local_time(until)}" if until else ""
            text = f"its folder was deleted{kept}"
            events.append({"at": discarded_at or finished, "what": state, "text": text})
        else:
            text = reasons if state != End.DELIVERED else ""
            events.append({"at": finished, "what": state, "text": text})
    if release := record.release:
        who = release.who or "somebody, by moving it"
        changes = describe_changes(release.changes)
        text = f"by {who}{': ' if release.why else ''}{release.why}"
        text += f"; changed: {changes}" if changes else ""
        events.append({"at": format_time(release.at), "what": "released", "text": text})
    return sorted(events, key=lambda event: event["at"])


def list_later(ledger: LedgerReader, row: JobRow) -> list[Event]:
    """Say what came when it was delivered already, and could have served it."""
    later = [(each.what, ledger.find_job(each.job)) for each in ledger.find_later_givers(row)]
    findings = row.record.findings.values() if row.record else ()
    said = [each for of_stage in findings for each in of_stage.values() if isinstance(each, dict)]
    had_one = any(each.get("served_by") for each in said)
    how = "with one that suits it less well" if had_one else "without it"
    return [
        {
            "at": format_time(each.record.finished),
            "what": f"{what} came later",
            "text": f"{each.record.source} (job {each.id}); it was delivered {how}",
        }
        for what, each in later
        if each and each.record
    ]


def _tell_original(original: OriginalRecord, path: str) -> StoryFile:
    profile = original.profile
    return {
        "name": original.name,
        "sha256": original.sha256,
        "bytes": original.bytes,
        "format": original.format,
        "width_px": original.width_px,
        "height_px": original.height_px,
        "bits": original.bits,
        "colour_space": original.colour_space,
        "profile": {
            "description": profile.description,
            "sha256": profile.sha256,
            "assumed": profile.assumed,
        }
        if profile
        else None,
        "ppi": original.ppi,
        "pages": original.pages,
        "notes": list(original.notes),
        "path": path,
        "is_there": os.path.lexists(path),
    }


def _tell_result(result: ResultRecord) -> StoryFile:
    profile = result.profile
    return {
        "path": result.path,
        "sha256": result.sha256,
        "bytes": result.bytes,
        "format": result.format,
        "width_px": result.width_px,
        "height_px": result.height_px,
        "bits": result.bits,
        "colour_space": result.colour_space,
        "ppi": result.ppi,
        "profile": {"description": profile.description, "sha256": profile.sha256}
        if profile
        else None,
        "notes": list(result.notes),
        "variant": result.variant,
        "is_there": os.path.lexists(result.path),
    }


def _list_others(db: sqlite3.Connection, record: Record, source: bytes) -> list[OtherJob]:
    """Other jobs of the same picture, or of its result, or of the same name in the same folder."""
    hashes = [record.original.sha256, *(each.sha256 for each in record.results)]
    known = [each for each in hashes if each]
    marks = ", ".join("?" * len(known))
    found = db.execute(
        "SELECT job, destination, state, finished, original_sha256, result_sha256 FROM records"  # noqa: S608
        f" WHERE latest = 1 AND job != ? AND (original_sha256 IN ({marks})"
        f" OR result_sha256 IN ({marks}) OR job IN"
        " (SELECT id FROM jobs WHERE destination = ? AND source = ?)"
        f" OR number IN (SELECT number FROM other_results WHERE sha256 IN ({marks})))"
        " ORDER BY number",
        (record.job, *known, *known, record.destination, source, *known),
    )
    beside = {
        job
        for (job,) in db.execute(f"SELECT job FROM other_results WHERE sha256 IN ({marks})", known)  # noqa: S608
    }
    others: list[OtherJob] = []
    for other in found:
        if record.original.sha256 and other["original_sha256"] == hashes[0]:
            why = "the same original"
        elif other["original_sha256"] in known:
            why = "made from this result"
        elif other["result_sha256"] in known or other["job"] in beside:
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


def describe_story(story: Story) -> list[str]:
    """Tell a story in lines for a person."""
    lines = [f"{story['file']}", f"SHA-256 {story['sha256']}"]
    if not story["jobs"]:
        return [*lines, f"{story['root']} has no record of a file with this content."]
    for each in story["jobs"]:
        lines += ["", *_describe_job(each)]
    return lines


def _describe_job(job: JobStory) -> list[str]:
    lines = [f"It is {job['the_file_is']} of job {job['job']} ({job['destination']})."]
    for event in job["events"]:
        text = f": {event['text']}" if event["text"] else ""
        lines.append(f"  {local_time(event['at'], seconds=True)}  {event['what']}{text}")
    original = job["original"]
    lines.append(f"  original: {original.get('name', '')}, {_describe_file(original)}")
    lines.append(f"    kept: {_describe_place(original)}")
    for result in job["results"]:
        which = f", {result['variant']}" if result.get("variant") else ""
        lines.append(f"  result{which}: {_describe_file(result)}")
        put = {"delivered": "put", "discarded": "waited"}.get(job["state"], "waits")
        lines.append(f"    {put}: {_describe_place(result)}")
    lines += _describe_facts(_FACTS.validate_python(job["facts"]))
    lines += [f"  not known: {why}" for why in job["facts_left_out"].values()]
    for stage in job["stages"]:
        said = "; ".join(stage["in_words"])
        lines.append(f"  {stage['stage']}, {stage['elapsed_s']:.1f} s{': ' if said else ''}{said}")
    if job["versions"]:
        made_by = ", ".join(f"{name} {number}" for name, number in job["versions"].items())
        made_by += f", on {job['machine']}" if job["machine"] else ""
        lines.append(f"  made by {made_by}")
    for other in job["other_jobs"]:
        lines.append(
            f"  see also {other['job']} ({other['destination']}, {other['state']}, "
            f"{local_time(other['finished'], seconds=True)}): {other['why']}"
        )
    return lines


def _describe_facts(facts: Facts) -> list[str]:
    lines = []
    if facts.share_lost is not None:
        which = f", {facts.lost_in_words}" if facts.lost_in_words else ""
        lines.append(f"  lost: {say_share(facts.share_lost)} of the picture{which}")
    if facts.share_out_of_gamut is not None:
        lines.append(
            f"  the medium cannot make: {say_share(facts.share_out_of_gamut)} of the picture"
        )
    return lines + [
        f"  {describe_column(each.to_json())}" for each in facts.columns if each.value is not None
    ]


def _describe_file(file: StoryFile) -> str:
    size = f"{file['width_px']} × {file['height_px']} px, " if file["width_px"] else ""
    profile = file["profile"]
    named = f"{profile['description']} ({profile['sha256'][:12]}…)" if profile else "no profile"
    assumed = ", assumed" if profile and profile.get("assumed") else ""
    colours = colours_in_words(file["colour_space"] or "colours unknown")
    return f"{size}{colours}, {named}{assumed}"


def _describe_place(file: StoryFile) -> str:
    return f"{file['path']}{'' if file['is_there'] else ' (no longer there)'}"
