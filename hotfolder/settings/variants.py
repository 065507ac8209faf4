"""Several results from one job: the same picture, made with other settings of one stage.

A destination makes them because a stage's settings say so (`StageSettings.variants`). Each is made
as a job with those settings alone would make it, so nothing about it has to be known anywhere else.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from pydantic import ValidationError

from hotfolder.errors import StageError
from hotfolder.settings.files import Destination
from hotfolder.stages.contract import StageSettings

_NAME: Final = re.compile(r"[a-z]+(?: [a-z]+)?")
_LONGEST: Final = 20


def list_variants(destination: Destination) -> list[tuple[str, Destination]]:
    """List what a destination makes of one picture: a name, and the destination that makes it.

    Returns
    -------
    One without a name, as the file says it, for nearly every destination.

    Raises
    ------
    StageError
        When a stage's variants cannot be made.
    """
    for stage, settings in destination.stage_settings.items():
        variants = settings.variants()
        if variants:
            return [
                (name, _with_settings(destination, stage, settings, changes))
                for name, changes in variants.items()
            ]
    return [("", destination)]


def _with_settings(
    destination: Destination, stage: str, settings: StageSettings, changes: Mapping[str, object]
) -> Destination:
    for name in settings.variants():
        if not _NAME.fullmatch(name) or len(name) > _LONGEST:
            allowed = f"one or two lower-case words of at most {_LONGEST} letters"
            raise StageError(stage, f"calls a result {name!r}; it must be {allowed}")
    raw = {**destination.file.stage.get(stage, {}), **changes}
    try:
        made = type(settings).model_validate(raw)
    except ValidationError as error:
        raise StageError(stage, f"cannot have the settings of its own variants: {error}") from error
    file = destination.file.model_copy(update={"stage": {**destination.file.stage, stage: raw}})
    all_settings = {**destination.stage_settings, stage: made}
    return replace(destination, file=file, stage_settings=all_settings)
