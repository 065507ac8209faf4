"""The control strip that a stage lays beside a picture: a destination's own, with today's date.

It is remembered before it is printed, as one that a person asks for is: its measurement is
recognised whenever it comes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import date

from hotfolder.errors import StorageError
from hotfolder.measured.control_strip import (
    ControlStrip,
    make_control_strip,
    recall_strips,
    remember_strip,
)
from hotfolder.model.standing import StripToLay
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.roles import Role


def find_laying_stage(destination: Destination) -> str | None:
    """Return the stage of a destination that lays a strip beside the picture; None when none does.

    Its findings have the key ``laid_on``; see `BesideFindings`.
    """
    stages = destination.stages.items()
    return next((name for name, stage in stages if stage.role is Role.BESIDE), None)


def find_strip_to_lay(
    root: Root,
    destination: Destination,
    raw: Mapping[str, object],
    day: date,
    carried_by: str = "",
    *,
    is_trial: bool = False,
) -> StripToLay | None:
    """Return what a stage lays beside a picture, and remember it.

    Parameters
    ----------
    raw
        The destination's file, with what ticket and release change; its hash stands in the code.
    day
        Today, where the desk stands.
    carried_by
        The job whose print carries the strip of this day, or is about to.
    is_trial
        Nothing will be printed: the strip is not remembered.

    Returns
    -------
    None when no stage of the destination asks for a strip, or its profile allows none.

    Raises
    ------
    StorageError
        When the strip cannot be remembered.
    """
    if find_laying_stage(destination) is None:
        return None
    try:
        strip = _find_strip(root, destination, is_trial=is_trial)
    except OSError as error:
        raise StorageError(
            f"the control strip of {destination.name} cannot be kept: "
            f"{error.filename}: {error.strerror or error}"
        ) from error
    settings = hash_settings(raw)
    return StripToLay(
        id=strip.id,
        names=tuple(each.name for each in strip.patches),
        device=tuple(each.device for each in strip.patches),
        day=day.isoformat(),
        carried_by=carried_by,
        says=say_code(strip, day, settings),
        words=f"{strip.id}  {destination.name}  {day.isoformat()}",
    )


def say_code(strip: ControlStrip, day: date, settings: str) -> str:
    """Return what the 2D code of a strip says."""
    return (
        f"hotfolder strip {strip.id} for {strip.destination} "
        f"profile {strip.profile_sha256[:16]} settings {settings} {day.isoformat()}"
    )


def hash_settings(raw: Mapping[str, object]) -> str:
    """Return eight hexadecimal digits that change with a destination's settings."""
    text = json.dumps(raw, sort_keys=True, ensure_ascii=True, default=str)
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:8]


def _find_strip(root: Root, destination: Destination, *, is_trial: bool) -> ControlStrip:
    """The strip of the profile of today; choosing its patches takes a moment, so once only."""
    sha256 = destination.profile.sha256
    for strip in recall_strips(root):
        if (strip.destination, strip.profile_sha256) == (destination.name, sha256):
            return strip
    made = make_control_strip(destination)
    if not is_trial:
        remember_strip(root, made)
    return made
