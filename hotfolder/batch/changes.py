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
from hotfolder.model.records import Changes
from hotfolder.settings.files import Destination
from hotfolder.stages.contract import StageSettings


class RowError(ValueError):
    """What a row asks for and this destination cannot do; ``column`` says where it asks for it."""

    def __init__(self, column: str, got: str, allowed: str) -> None:
        self.column = column
        self.got = got
        self.allowed = allowed
        super().__init__(f"{column}: {got}; allowed: {allowed}")


def plan_changes(placement: Placement, destination: Destination) -> Changes:
    """Return the settings that make this placement, by stage.

    A size in both directions is a place in the layout, which the picture covers: what stands out
    is cropped, at the anchor's opposite side. A size in one direction keeps the whole picture.

    Raises
    ------
    RowError
        When the destination has no stage that could do it.
    """
    stages = destination.file.stages
    changes: Changes = {}
    if placement.width_mm or placement.height_mm:
        column = "width" if placement.width_mm else "height"
        _require(stages, "sizing", column, "a size")
        sizing: dict[str, JsonValue] = dict.fromkeys(("long_edge", "short_edge", "paper"))
        for key, side in (("width", placement.width_mm), ("height", placement.height_mm)):
            sizing[key] = f"{side:.6f}".rstrip("0").rstrip(".") + " mm" if side else None
        sizing["turn"] = False
        own = destination.file.stage.get("sizing", {})
        if not (placement.width_mm and placement.height_mm):
            sizing["mode"] = "inside"
        elif placement.anchor or own.get("mode") != "exact":
            sizing["mode"] = "cover"
        if placement.anchor:
            sizing["anchor"] = placement.anchor
        changes["sizing"] = sizing
    if placement.intent:
        _require(stages, "profile-conversion", "intent", placement.intent)
        changes["profile-conversion"] = {"intent": placement.intent}
    if placement.caption and "tagging" in stages:
        changes["tagging"] = {"caption": placement.caption}
    return changes


def _require(stages: tuple[str, ...], stage: str, column: str, got: str) -> None:
    if stage not in stages:
        allowed = f"nothing here: the destination has no stage {stage}"
        raise RowError(column, got, allowed)


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
        if not settings.only_looks
    }
    said = [
        picture_sha256,
        destination.profile.sha256,
        [file.medium.surface, file.medium.viewing_distance],
        file.result.model_dump(mode="json"),
        list(stages.items()),  # in the order in which they run
        name,
    ]
    text = json.dumps(said, sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _select_deciding(settings: StageSettings, raw: Mapping[str, object]) -> dict[str, JsonValue]:
    """A stage's settings on which a result depends; a default is the same as nothing said."""
    chosen: dict[str, JsonValue] = (
        type(settings)
        .model_validate(raw)
        .model_dump(mode="json", exclude=set(settings.judging), exclude_defaults=True)
    )
    return chosen
