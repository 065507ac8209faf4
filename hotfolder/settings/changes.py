"""Settings of one picture: a destination's file with changes that a person or a ticket asks for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pydantic import JsonValue, TypeAdapter, ValidationError

from hotfolder.errors import StageError
from hotfolder.model.records import Changes
from hotfolder.model.wishes import Wish
from hotfolder.settings.files import Destination
from hotfolder.stages.registry import Registry

_VALUES: Final = TypeAdapter(dict[str, JsonValue])
READING: Final = "reading"
"""In place of a stage's name in changes: the table ``[reading]``; no stage is called so."""


def with_changes(
    raw: Mapping[str, object], changes: Mapping[str, Mapping[str, object]]
) -> dict[str, object]:
    """A destination's file with a release's changes to its stages' settings, and to its reading."""
    own = raw.get("stage")
    stages: dict[str, object] = {**own} if isinstance(own, Mapping) else {}
    changed = dict(raw)
    for stage, settings in changes.items():
        tables = changed if stage == READING else stages
        before = tables.get(stage)
        tables[stage] = {**(before if isinstance(before, Mapping) else {}), **settings}
    return {**changed, "stage": stages} if stages else changed


def grant(wish: Wish, destination: Destination) -> Changes:
    """Ask a destination's stages for what a person or a ticket wishes.

    Returns
    -------
    New settings by stage; none when no stage of the destination grants such a wish.

    Raises
    ------
    StageError
        When a stage fails at it.
    """
    changes: Changes = {}
    for stage, settings in destination.stage_settings.items():
        if type(wish) not in settings.grants:
            continue
        try:
            changes[stage] = _VALUES.validate_python(dict(settings.granting(wish)))
        except ValidationError as error:
            said = f"answered the wish for {wish.what} with what is no JSON: {error}"
            raise StageError(stage, said) from error
        except Exception as error:
            said = f"failed at the wish for {wish.what}: {type(error).__name__}: {error}"
            raise StageError(stage, said) from error
    return changes


def who_grants(wish: Wish, registry: Registry) -> list[str]:
    """Name the stages that would grant a wish, if a destination had them."""
    return [name for name, stage in registry.stages.items() if type(wish) in stage.Settings.grants]
