"""What a worker is asked to do; apart from the work, so that who asks loads no codec."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from hotfolder.disk.kept_arrays import ArrayFolder
from hotfolder.model.neighbour import Neighbour
from hotfolder.model.standing import MediumStanding

SMALL_PICTURE: Final = "small.jpg"
"""Name in an order's folder of what comes of `Order.only_shows`."""


@dataclass(frozen=True)
class Order:
    """What a worker is asked to do."""

    job: str
    original: Path
    """The file to read."""
    name: str
    """Its name as text."""
    sha256: str
    bytes: int
    folder: Path
    """Empty, where the result goes."""
    profiles: Path
    """The root's profiles."""
    root: Path | None = None
    """Where the root is for people, whose shells are where the daemon is."""
    sidecar: Path | None = None
    """The XMP sidecar that came with the original."""
    begun: datetime = field(default_factory=lambda: datetime.now(UTC).astimezone())
    """When the attempt began, in local time, by the clock of who asks: it stands in the result."""
    is_trial: bool = False
    """Nothing will be delivered."""
    only_foresees: bool = False
    """It ends where stages have seen the result to come, before the first pixel."""
    only_shows: bool = False
    """It ends with a small picture of the original as it came (`small_picture`)."""
    always_shows: bool = False
    """People look at it, whatever comes of it."""
    neighbours: Mapping[str, Sequence[Neighbour]] = field(default_factory=dict)
    """What stages have said of other pictures of the same folder or batch, by stage."""
    standing: MediumStanding | None = None
    """How the medium stands; None when nobody has looked."""
    points: ArrayFolder | None = None
    """Where what depends on profiles alone is kept from job to job; None: nowhere."""
