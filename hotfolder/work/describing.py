"""Describe for the record what was worked on, what came of it, and with what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from importlib.metadata import version
from pathlib import Path

import imagecodecs
from pydantic.types import JsonValue

from hotfolder.disk import durable
from hotfolder.errors import StageError
from hotfolder.model.facts import Facts
from hotfolder.model.records import (
    Attachment,
    OriginalRecord,
    ProfileRecord,
    ResultProfile,
    ResultRecord,
    StageRecord,
)
from hotfolder.raster.picture import RasterSpec
from hotfolder.stages.job import Attached, Original
from hotfolder.stages.registry import Registry
from hotfolder.work.several import Written


@cache
def versions() -> dict[str, str]:
    """Versions of what touches pixels; found once, from the packages' files."""
    packages = ("hotfolder", "numpy", "pillow", "tifffile", "imagecodecs", "openimageio")
    found = {package: version(package) for package in packages}
    return {**found, "littlecms": imagecodecs.cms_version().removeprefix("lcms2").strip()}


def describe_original(original: Original) -> OriginalRecord:
    """What the record says of an original that was opened."""
    spec = original.spec
    profile = spec.profile
    return OriginalRecord(
        name=original.name,
        sha256=original.sha256,
        bytes=original.bytes,
        format=original.format,
        width_px=spec.width_px,
        height_px=spec.height_px,
        bits=original.bits,
        colour_space=spec.encoding.value.upper(),
        profile=profile
        and ProfileRecord(
            description=profile.description, sha256=profile.sha256, assumed=spec.profile_assumed
        ),
        ppi=spec.ppi or None,
        pages=original.pages,
        notes=original.notes,
    )


def describe_result(written: Written, spec: RasterSpec) -> ResultRecord:
    """What the record says of a result, once it is written."""
    path = written.path
    sha256, size = written.writer.digest or durable.sha256_of(path)
    profile = spec.profile
    return ResultRecord(
        path=path.name,
        sha256=sha256,
        bytes=size,
        format=written.result.format,
        width_px=spec.width_px,
        height_px=spec.height_px,
        bits=written.result.bits,
        colour_space=spec.encoding.value.upper(),
        ppi=spec.ppi,
        notes=written.writer.notes,
        profile=profile and ResultProfile(description=profile.description, sha256=profile.sha256),
    )


def describe_attachments(announced: Iterable[Attached], folder: Path) -> tuple[Attachment, ...]:
    """What stages have announced and written for people to look at."""
    found = []
    for each in announced:
        path = folder / each.name
        if path.is_file() and not path.is_symlink():
            sha256, size = durable.sha256_of(path)
            found.append(
                Attachment(
                    kind=each.kind,
                    path=each.name,
                    sha256=sha256,
                    bytes=size,
                    title=each.title,
                    stage=each.stage,
                )
            )
    return tuple(found)


def collect_facts(
    stages: Iterable[StageRecord],
    findings: Mapping[str, Mapping[str, JsonValue]],
    registry: Registry,
) -> tuple[Facts, dict[str, str]]:
    """Ask the stages what their findings mean, and say why what fails at it is left out.

    The picture is right all the same: nothing is held for it.
    """
    facts, left_out = Facts(), dict[str, str]()
    for each in stages:
        found = findings.get(each.stage)
        if found is None:
            continue
        try:
            more = registry.facts_of(each.stage, found, each.settings)
        except StageError as error:
            left_out[each.stage] = str(error)
        else:
            facts = facts.joined_with(more)
    return facts, left_out
