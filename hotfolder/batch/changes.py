"""What a row of a ticket asks for, as changes of the destination's settings, and its fingerprint.

The changes are of the same kind as those of a release: settings of a stage, by key. A key that
must not stand beside another is set to None, which every stage takes as not set.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping

from pydantic import JsonValue

from hotfolder.batch.ticket import Placement
from hotfolder.errors import StageError
from hotfolder.model.destination import Result
from hotfolder.model.records import Changes
from hotfolder.model.wishes import CaptionWish, IntentWish, RenderingWish, SizeWish, WhiteWish, Wish
from hotfolder.settings.changes import READING, grant, who_grants
from hotfolder.settings.files import Destination
from hotfolder.stages.contract import StageSettings
from hotfolder.stages.registry import Registry


class RowError(ValueError):
    """What a row asks for and this destination cannot do; ``column`` says where it asks for it."""

    def __init__(self, column: str, got: str, allowed: str) -> None:
        self.column = column
        self.got = got
        self.allowed = allowed
        super().__init__(f"{column}: {got}; allowed: {allowed}")


def plan_changes(placement: Placement, destination: Destination, registry: Registry) -> Changes:
    """Return the settings that make this placement, by stage.

    Raises
    ------
    RowError
        When the destination has no stage that could do it, or a stage fails at it. A caption
        that no stage writes is only shown.
    """
    size = SizeWish(placement.width_mm, placement.height_mm, placement.anchor)
    changes: Changes = {}
    if size.width_mm or size.height_mm:
        column = "width" if size.width_mm else "height"
        changes |= _ask(column, size.what, size, destination, registry)
    if placement.intent:
        intent = placement.intent
        changes |= _ask("intent", intent, IntentWish(intent), destination, registry)
    if placement.rendering:
        rendering = placement.rendering
        granted = _ask("rendering", rendering, RenderingWish(rendering), destination, registry)
        for stage, settings in granted.items():
            # what an intent has changed of the same stage stays beside it
            changes[stage] = {**changes.get(stage, {}), **settings}
    if placement.white:
        white = placement.white
        changes |= _ask("white", white, WhiteWish.named(white), destination, registry)
    if placement.caption:
        changes |= _grant("caption", CaptionWish(placement.caption), destination)
    return changes


def _ask(
    column: str, got: str, wish: Wish, destination: Destination, registry: Registry
) -> Changes:
    granted = _grant(column, wish, destination)
    if not granted:
        able = " or ".join(who_grants(wish, registry)) or "that can"
        raise RowError(column, got, f"nothing here: the destination has no stage {able}")
    return granted


def _grant(column: str, wish: Wish, destination: Destination) -> Changes:
    try:
        return grant(wish, destination)
    except StageError as error:
        raise RowError(column, str(error), "nothing, until that stage is mended") from error


def hash_placement(
    picture_sha256: str, changes: Changes, destination: Destination, name: str
) -> str:
    """SHA-256 of all that decides what a placement's result is and is called.

    Doing the placement again would bring nothing new while it is the same. So it has what pixels
    and metadata depend on and no more: not the cost, nor limits, nor how a setting is written.

    Raises
    ------
    ValidationError
        When a stage's settings would not be right with the changes.
    """
    file = destination.file
    stages = {
        stage: _select_deciding(settings, {**file.stage.get(stage, {}), **changes.get(stage, {})})
        for stage, settings in destination.stage_settings.items()
        if not settings.looks_only()
    }
    said = [
        picture_sha256,
        destination.profile.sha256,
        [file.medium.surface, file.medium.viewing_distance],
        _select_result(file.result),
        list(stages.items()),  # in the order in which they run
        name,
    ]
    if reading := _select_reading(destination, changes):
        said.append(reading)  # only then, so that what was made before it was a setting stays known
    text = json.dumps(said, sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _select_result(result: Result) -> dict[str, JsonValue]:
    """How results are written. Rows have names of their own; more files count if there are any."""
    left_out = {"name"} if result.also else {"name", "also"}
    said: dict[str, JsonValue] = result.model_dump(mode="json", exclude=left_out)
    return said


def _select_reading(destination: Destination, changes: Changes) -> dict[str, JsonValue]:
    """How originals are read, where it is not as usual."""
    reading = destination.file.reading
    raw = {**reading.model_dump(), **changes.get(READING, {})}
    said: dict[str, JsonValue] = (
        type(reading).model_validate(raw).model_dump(mode="json", exclude_defaults=True)
    )
    return said


def _select_deciding(settings: StageSettings, raw: Mapping[str, object]) -> dict[str, JsonValue]:
    """A stage's settings on which a result depends; a default is the same as nothing said."""
    chosen: dict[str, JsonValue] = (
        type(settings)
        .model_validate(raw)
        .model_dump(mode="json", exclude=set(settings.judging), exclude_defaults=True)
    )
    return chosen
