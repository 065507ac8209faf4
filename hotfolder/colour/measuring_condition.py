"""What a profile says of how its medium was measured.

Clauses of ICC.1:2022: 10.14 ``measurementType``, 9.2 for the tags ``targ`` and ``vued``, 7.2.8 for
the date in the header.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import UTC, datetime

from hotfolder.colour.profile import Profile

_OBSERVERS = {1: "2°", 2: "10°"}
_GEOMETRIES = {1: "0°/45°", 2: "sphere"}
_ILLUMINANTS = {
    1: "D50", 2: "D65", 3: "D93", 4: "F2", 5: "D55", 6: "A", 7: "E", 8: "F8",
}  # fmt: skip
_TARGET_KEYS = (
    "MEASUREMENT_CONDITION", "MEASUREMENT_GEOMETRY", "MEASUREMENT_SOURCE", "FILTER",
    "FILTER_STATUS", "POLARIZATION", "SAMPLE_BACKING", "WEIGHTING_FUNCTION", "ILLUMINATION_NAME",
    "OBSERVER", "DEVICE_CLASS", "CREATED", "PRINT_CONDITIONS", "TARGET_INSTRUMENT",
)  # fmt: skip


@dataclass(frozen=True)
class Condition:
    """How the profile says that its medium was measured; what it does not say is ""."""

    observer: str = ""
    """``"2°"`` or ``"10°"``, from the tag ``meas``."""

    geometry: str = ""
    """``"0°/45°"`` or ``"sphere"``, from ``meas``."""

    illuminant: str = ""
    """``"D50"`` …, from ``meas``."""

    flare: float | None = None
    """Stray light, 0 … 1, from ``meas``."""

    viewing: str = ""
    """The text for people about viewing, from the tag ``vued``."""

    target: tuple[tuple[str, str], ...] = ()
    """Keywords of the characterisation data (``targ``) that say how it was measured, with their
    values."""

    has_target: bool = False
    """Whether the profile carries its characterisation data."""

    @property
    def is_said(self) -> bool:
        """Whether anything about measuring is said."""
        return bool(self.observer or self.geometry or self.illuminant or self.target)


def read_condition(profile: Profile) -> Condition:
    """Read what a profile says of how its medium was measured."""
    observer = geometry = illuminant = ""
    flare = None
    tag = _tag(profile, "meas")
    if tag[:4] == b"meas" and len(tag) >= 36:
        seen, _, _, _, how, stray, light = struct.unpack_from(">I3iIII", tag, 8)
        observer, geometry = _OBSERVERS.get(seen, ""), _GEOMETRIES.get(how, "")
        illuminant, flare = _ILLUMINANTS.get(light, ""), stray / 65536
    target = _read_text(_tag(profile, "targ"))
    return Condition(
        observer,
        geometry,
        illuminant,
        flare,
        _read_text(_tag(profile, "vued"))[:300],
        _read_target(target),
        bool(target.strip()),
    )


def _tag(profile: Profile, name: str) -> bytes:
    offset, size = profile.tags.get(name, (0, 0))
    return profile.data[offset : offset + size]


def _read_text(tag: bytes) -> str:
    """Read a text of either version, as much of it as is ASCII; "" for anything else."""
    match tag[:4]:
        case b"text":
            return tag[8:].split(b"\0")[0].decode("latin-1")
        case b"desc" if len(tag) >= 12:
            count = struct.unpack_from(">I", tag, 8)[0]
            return tag[12 : 12 + count].split(b"\0")[0].decode("latin-1")
        case b"mluc" if len(tag) >= 28:
            length, start = struct.unpack_from(">II", tag, 20)
            return tag[start : start + length].decode("utf-16-be", errors="replace").split("\0")[0]
    return ""


def _read_target(text: str) -> tuple[tuple[str, str], ...]:
    """Find the keywords of characterisation data (ISO 28178) that say how it was measured."""
    found: dict[str, str] = {}
    for line in text.splitlines():
        if line.startswith("BEGIN_DATA") or len(found) >= len(_TARGET_KEYS):
            break
        key, _, value = line.strip().partition(" " if " " in line else "\t")
        value = value.strip().strip('"')
        if key in _TARGET_KEYS and value:
            shown = "".join(each if each.isprintable() else " " for each in value)
            found.setdefault(key, shown[:120])
    return tuple(found.items())


def read_date(profile: Profile) -> datetime | None:
    """Read the date of the header (7.2.8)."""
    try:
        year, month, day, hour, minute, second = struct.unpack_from(">6H", profile.data, 24)
        return datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return None
