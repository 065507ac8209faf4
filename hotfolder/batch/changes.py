"""What a row of a ticket asks for, as changes of the destination's settings, and its fingerprint.

The changes are of the same kind as those of a release: settings of a stage, by key. A key that
must not stand beside another is set to None, which every stage takes as not set.
"""

from __future__ import annotations

import hashlib
import json

from pydantic import JsonValue

from hotfolder.batch.ticket import Placement
from hotfolder.model.records import Changes
from hotfolder.settings.files import Destination

_ASIDE = ("title", "limits", "folders", "intake", "hours", "priority", "ticket")
"""Settings that change nothing in a result."""


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

    It is the same exactly when doing the placement again would bring nothing new.
    """
    settings = {key: value for key, value in destination.raw.items() if key not in _ASIDE}
    said = [picture_sha256, destination.profile.sha256, settings, changes, name]
    text = json.dumps(said, sort_keys=True, default=str, ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()
