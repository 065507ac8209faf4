"""A control strip: which patches it has, what colours they should become, and what it is called.

What a strip is follows from its destination's name and profile alone, and so does its id. Each
strip that was made is remembered in ``.hotfolder/strips/NAME/ID.json``, so that a measurement is
compared with the strip that was printed, whatever has been set since.
"""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Annotated, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from hotfolder.colour.arrays import Floats
from hotfolder.disk import durable
from hotfolder.measured.choosing import Kind, absolute_lab, choose_patches
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root

COLUMNS: Final = 6
STRIP_ID: Final = re.compile(r"(?<![0-9a-f])[0-9a-f]{8}(?![0-9a-f])")
_WAY: Final = 1
"""Of choosing patches; another number makes another strip of the same profile."""
_MAX_BYTES: Final = 2**20


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Patch(_Kept):
    """One patch."""

    name: str
    """Its row and column, as it stands below it: ``"B3"``."""
    kind: Kind
    """What it is there for."""
    device: Annotated[tuple[float, ...], Field(min_length=1, max_length=4)]
    """Of each channel, 0 … 1."""
    lab: tuple[float, float, float]
    """What the profile says of it: L*, a*, b* at D50, absolute colorimetric."""


class ControlStrip(_Kept):
    """A strip, whenever and however often it is printed."""

    id: str
    """Eight hexadecimal digits."""
    destination: str
    profile_sha256: str
    profile: str
    """What the profile calls itself."""
    predicts: float
    """How far all colours are predicted from its patches, in L*, a* and b*."""
    patches: tuple[Patch, ...]

    @property
    def device(self) -> Floats:
        """Shape (n, channels), 0 … 1."""
        return np.array([each.device for each in self.patches])

    @property
    def lab(self) -> Floats:
        """What is expected: shape (n, 3)."""
        return np.array([each.lab for each in self.patches])

    def of_kind(self, *kinds: Kind) -> list[int]:
        """Return places of the patches that are there for something."""
        return [place for place, each in enumerate(self.patches) if each.kind in kinds]


def make_control_strip(destination: Destination) -> ControlStrip:
    """Choose a destination's patches and say what colours they should become.

    Raises
    ------
    ProfileError
        When the profile describes an input device only, or its tables cannot be used.
    """
    profile = destination.profile
    choice = choose_patches(profile)
    lab = np.round(absolute_lab(profile, choice.device), 4)
    patches = tuple(
        Patch(
            name=f"{chr(ord('A') + number // COLUMNS)}{number % COLUMNS + 1}",
            kind=kind,
            device=tuple(map(float, device)),
            lab=(float(colour[0]), float(colour[1]), float(colour[2])),
        )
        for number, (kind, device, colour) in enumerate(
            zip(choice.kinds, choice.device, lab, strict=True)
        )
    )
    said = [_WAY, destination.name, profile.sha256, [each.device for each in patches]]
    return ControlStrip(
        id=hashlib.sha256(json.dumps(said).encode()).hexdigest()[:8],
        destination=destination.name,
        profile_sha256=profile.sha256,
        profile=profile.description,
        predicts=round(choice.predicts, 3),
        patches=patches,
    )


def remember_strip(root: Root, strip: ControlStrip) -> Path:
    """Keep what a strip is, so that its measurement can be read later.

    Raises
    ------
    OSError
        When it cannot be written.
    """
    path = root.strips / strip.destination / f"{strip.id}.json"
    durable.make_folders(path.parent)
    try:
        durable.write_new(path, strip.model_dump_json(indent=1).encode())
    except FileExistsError:
        if _read(path) != strip:  # spoilt, or of another version: what is printed now counts
            path.unlink()
            durable.write_new(path, strip.model_dump_json(indent=1).encode())
    return path


def strip_command(root: Root, destination: str) -> str:
    """Return the command that makes a strip of a destination, to be copied into a shell."""
    return root.command("strip", "--control", "--for", destination)


def recall_strips(root: Root) -> list[ControlStrip]:
    """Return every strip that this root remembers, of all destinations; spoilt ones are left out.

    Raises
    ------
    OSError
        When one cannot be read.
    """
    found = [_read(path) for path in sorted(root.strips.glob("*/*.json"))]
    return [each for each in found if each is not None]


def recall_strip(root: Root, destination: str, strip: str) -> ControlStrip | None:
    """Return a strip of a destination by its id; None when it is not remembered, or spoilt.

    Raises
    ------
    OSError
        When it cannot be read.
    """
    try:
        return _read(root.strips / destination / f"{strip}.json")
    except FileNotFoundError:
        return None


def _read(path: Path) -> ControlStrip | None:
    with durable.open_to_read(path) as file:
        data = file.read(_MAX_BYTES)
    try:
        return ControlStrip.model_validate_json(data)
    except ValidationError:
        return None
