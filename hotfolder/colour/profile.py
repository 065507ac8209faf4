"""ICC profiles as values: bytes, a description, and what kind they are.

A profile comes from a file that anybody may have made, so its structure is read here with every
bound checked before a colour engine sees it; then LittleCMS converts a few pixels with it, which
proves that its tables can be used. What an engine would take without a word and turn into wrong
colours is looked for too: a medium without white, a curve that ends before its last sample.

Clauses are those of ICC.1:2022 (version 4.4, the same text as ISO 15076-1); 6.5.17 is from
ICC.1:2001-04 (version 2.4).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Literal

import imagecodecs
import numpy as np

from hotfolder.errors import HotfolderError
from hotfolder.model.encoding import Encoding

Direction = Literal["from device", "to device"]

MAX_BYTES = 64 * 2**20
"""More than any profile of a device needs; no source, our own bound."""

MAX_TAGS = 100
"""What LittleCMS reads at most; no source in the standard, which sets no bound."""

_HEADER_BYTES = 128
_ENTRY_BYTES = 12
_ENCODINGS = {
    "RGB ": Encoding.RGB,
    "GRAY": Encoding.GREY,
    "CMYK": Encoding.CMYK,
    "Lab ": Encoding.LAB,
}
_DEVICE_CLASSES = {"scnr", "mntr", "prtr", "spac"}
_REFUSED_CLASSES = {
    "link": "is a device-link profile, which joins two devices and describes neither",
    "abst": "is an abstract profile, which changes colours and describes no device",
    "nmcl": "is a named-colour profile, which lists spot colours and describes no device",
}
_COLORANT_TAGS = ("rXYZ", "gXYZ", "bXYZ")
_CURVE_TAGS = ("rTRC", "gTRC", "bTRC", "kTRC")
_MATRIX_TAGS = {*_COLORANT_TAGS, "rTRC", "gTRC", "bTRC"}
_PARAMETERS = (1, 3, 4, 5, 7)
"""Numbers in a ``parametricCurveType``, by its function type 0 … 4 (10.18, table 68)."""

_STEEPEST = 20.0
"""More than any device's exponent, and few enough that powers stay finite; our own bound."""
LITTLECMS_NAMES = {
    Encoding.RGB: "rgb",
    Encoding.GREY: "gray",
    Encoding.CMYK: "cmyk",
    Encoding.LAB: "lab",
}
"""What `imagecodecs.cms_transform` calls each encoding."""


class ProfileError(HotfolderError):
    """A profile that cannot be used.

    Notes
    -----
    The text goes after "the profile …" in a sentence.
    """


@dataclass(frozen=True)
class Profile:
    """An ICC profile that describes a device or a colour space; equal when its bytes are."""

    data: bytes = field(repr=False, compare=False)
    """The whole profile."""

    sha256: str
    """Of it, lower-case hex."""

    description: str = field(compare=False)
    """Its own name for itself."""

    version: str = field(compare=False)
    """``"2.4"``, ``"4.4"`` …"""

    device_class: str = field(compare=False)
    """``"prtr"``, ``"mntr"``, ``"scnr"`` or ``"spac"``."""

    space: str = field(compare=False)
    """Signature of four characters: ``"RGB "``."""

    pcs: str = field(compare=False)
    """Signature of four characters: ``"Lab "`` or ``"XYZ "``."""

    media_white_xyz: tuple[float, float, float] | None = field(default=None, compare=False)
    """The tag ``wtpt``, Y of the PCS white = 1, or None."""

    tags: Mapping[str, tuple[int, int]] = field(default_factory=dict, repr=False, compare=False)
    """Offset and size in bytes of each tag, by signature."""

    @classmethod
    def parse(cls, data: bytes) -> Profile:
        """Read a profile and make sure that it can be used.

        Parameters
        ----------
        data
            All bytes of an ICC profile.

        Returns
        -------
        The profile.

        Raises
        ------
        ProfileError
            When it is damaged, or is not a profile of an RGB, grey, CMYK or Lab device.
        """
        profile = _read(bytes(data))
        _try_out(profile)
        return profile

    @classmethod
    def load(cls, path: Path) -> Profile:
        """Read a profile from a file.

        Parameters
        ----------
        path
            Of an ICC file.

        Returns
        -------
        The profile.

        Raises
        ------
        ProfileError
            As `parse`; the text starts with the file's name.
        OSError
            When the file cannot be read.
        """
        with Path(path).open("rb") as file:
            data = file.read(MAX_BYTES + 1)
        try:
            return cls.parse(data)
        except ProfileError as error:
            raise ProfileError(f"{Path(path).name} {error}") from error

    @property
    def encoding(self) -> Encoding:
        """The kind of colour that a pixel of this profile holds."""
        return _ENCODINGS[self.space]

    @property
    def is_version_4(self) -> bool:
        """Whether perceptual and saturation mean version 4's reference medium."""
        return self.version.startswith("4")

    def has_intent(self, intent: str, direction: Direction) -> bool:
        """Whether the profile has a table of its own for a rendering intent.

        A matrix profile and a grey curve are media-relative colorimetric, and so is whatever is
        asked of them; absolute colorimetric is the media-relative table and the media white
        (ICC.1:2022, 6.3.2). When False, engines take the perceptual table ``A2B0`` or ``B2A0``
        in its place (9.2.1, table 25).

        Parameters
        ----------
        intent
            Its name, as `Intent` has it.
        direction
            From device values to colours, or back.

        Returns
        -------
        True or False.
        """
        kind = "A2B" if direction == "from device" else "B2A"
        if self.sha256 == lab_profile().sha256:
            return True
        if f"{kind}0" not in self.tags and self._is_curves_only:
            return "colorimetric" in intent
        number = {"perceptual": 0, "saturation": 2}.get(intent, 1)
        return f"{kind}{number}" in self.tags

    @property
    def can_be_destination(self) -> bool:
        """Whether colours can be converted *to* this profile; an input profile may lack that."""
        if self.sha256 == lab_profile().sha256:
            return True
        return self._is_curves_only or any(tag in self.tags for tag in ("B2A0", "B2D0", "B2A1"))

    @property
    def _is_curves_only(self) -> bool:
        return self.tags.keys() >= _MATRIX_TAGS or "kTRC" in self.tags


@cache
def lab_profile() -> Profile:
    """Return the profile of the PCS itself, in which a Lab picture is written (white D50).

    Its pixels are `Encoding.LAB`. Made by LittleCMS, and of the class "abstract", which a file may
    not have: by that class LittleCMS knows that its black is zero in every intent.

    Returns
    -------
    A profile of version 4.4; always the same bytes.
    """
    made = bytes(imagecodecs.cms_profile("lab4"))
    # 7.2.8: the moment it was made is in it; without, the same profile has the same hash for ever.
    data = made[:24] + struct.pack(">6H", 2000, 1, 1, 0, 0, 0) + made[36:]
    tags = _tag_table(data, len(data))
    white = _xyz(data, tags.get("wtpt"))
    return Profile(
        data, sha256(data).hexdigest(), "CIELAB D50", "4.4", "spac", "Lab ", "Lab ", white, tags
    )


def _read(data: bytes) -> Profile:
    """Read header and tag table (7.2, 7.3), all bounds checked."""
    if len(data) < _HEADER_BYTES + 4:
        raise ProfileError(f"has only {len(data)} bytes: it was cut off, or is not a profile")
    if len(data) > MAX_BYTES:
        raise ProfileError(f"has more than {MAX_BYTES // 2**20} MiB; no profile of a device has")
    if data[36:40] != b"acsp":
        raise ProfileError("is not an ICC profile: its mark 'acsp' is missing")
    size = struct.unpack_from(">I", data)[0]
    if size > len(data):
        raise ProfileError(f"was cut off: it has {len(data)} of the {size} bytes that it announces")
    if size < _HEADER_BYTES + 4:
        raise ProfileError(f"is damaged: it announces a size of {size} bytes")

    major, minor = data[8], data[9] >> 4
    if major not in (2, 4):
        raise ProfileError(f"has ICC version {major}.{minor}; versions 2 and 4 can be used")
    device_class, space, pcs = (_signature(data, offset) for offset in (12, 16, 20))
    if device_class in _REFUSED_CLASSES:
        raise ProfileError(_REFUSED_CLASSES[device_class])
    if device_class not in _DEVICE_CLASSES:
        raise ProfileError(f"is of the unknown class {device_class!r}")
    if space not in _ENCODINGS:
        raise ProfileError(
            f"is for colours of the kind {space.strip()!r}; RGB, grey, CMYK and Lab can be used"
        )
    if pcs not in {"XYZ ", "Lab "}:
        raise ProfileError(f"is damaged: it connects to {pcs!r} instead of XYZ or Lab")

    tags = _tag_table(data, size)
    _check_required(space, tags)
    for name in _CURVE_TAGS:
        if name in tags:
            offset, length = tags[name]
            _check_curve(name, data[offset : offset + length])
    for name in _COLORANT_TAGS:
        if name in tags and _xyz(data, tags[name]) is None:
            raise ProfileError(f"is damaged: its tag {name!r} is not a colour")
    white = _xyz(data, tags.get("wtpt"))
    if white is not None and not all(0.01 < each < 2 for each in white):
        shown = " ".join(f"{each:g}" for each in white)
        raise ProfileError(f"is damaged: its white is {shown} in XYZ, which no medium has")
    return Profile(
        data=data,
        sha256=sha256(data).hexdigest(),
        description=_description(data, tags),
        version=f"{major}.{minor}",
        device_class=device_class,
        space=space,
        pcs=pcs,
        media_white_xyz=white,
        tags=tags,
    )


def _signature(data: bytes, offset: int) -> str:
    return data[offset : offset + 4].decode("ascii", errors="replace")


def _tag_table(data: bytes, size: int) -> Mapping[str, tuple[int, int]]:
    count = struct.unpack_from(">I", data, _HEADER_BYTES)[0]
    start = _HEADER_BYTES + 4
    if not 0 < count <= MAX_TAGS or start + count * _ENTRY_BYTES > size:
        raise ProfileError(f"is damaged: it announces {count} tags")
    tags: dict[str, tuple[int, int]] = {}
    for index in range(count):
        entry = start + index * _ENTRY_BYTES
        name = _signature(data, entry)
        offset, length = struct.unpack_from(">II", data, entry + 4)
        if length < 8:  # a type and four bytes of zero, without any content (10.1)
            raise ProfileError(f"is damaged: its tag {name!r} is empty")
        if offset < start + count * _ENTRY_BYTES or offset + length > size:
            raise ProfileError(f"is damaged: its tag {name!r} lies outside it")
        if name in tags:
            raise ProfileError(f"is damaged: it has the tag {name!r} twice")
        tags[name] = (offset, length)
    return tags


def _check_required(space: str, tags: Mapping[str, tuple[int, int]]) -> None:
    """Check for what one way to the PCS needs (8.3 to 8.6): a table, a matrix, or a curve."""
    if {"A2B0", "D2B0"} & tags.keys():
        return
    if space == "RGB ":
        missing = sorted(_MATRIX_TAGS - tags.keys())
    else:
        needed = "kTRC" if space == "GRAY" else "A2B0"
        missing = [] if needed in tags else [needed]
    if missing:
        raise ProfileError(f"is incomplete: it has no {', '.join(missing)}")


def _check_curve(name: str, tag: bytes) -> None:
    """Check that a ``curveType`` (10.6) or ``parametricCurveType`` (10.18) is all there.

    Engines read on behind its end, and take an exponent of zero as they find it.
    """
    exponent = 1.0
    if tag[:4] == b"curv" and len(tag) >= 12:
        count = struct.unpack_from(">I", tag, 8)[0]
        complete = len(tag) >= 12 + 2 * count
        if complete and count == 1:
            exponent = struct.unpack_from(">H", tag, 12)[0] / 256
    elif tag[:4] == b"para" and len(tag) >= 16:
        kind = struct.unpack_from(">H", tag, 8)[0]
        complete = kind < len(_PARAMETERS) and len(tag) >= 12 + 4 * _PARAMETERS[kind]
        exponent = struct.unpack_from(">i", tag, 12)[0] / 65536
    else:
        raise ProfileError(f"is damaged: its tag {name!r} is not a curve")
    if not complete:
        raise ProfileError(f"is damaged: its curve {name!r} is cut off")
    if not 0 < exponent <= _STEEPEST:
        raise ProfileError(f"is damaged: its curve {name!r} has the exponent {exponent:g}")


def _xyz(data: bytes, place: tuple[int, int] | None) -> tuple[float, float, float] | None:
    """Read an ``XYZType`` (10.31), or return None where there is none."""
    if place is None or place[1] < 20 or data[place[0] : place[0] + 4] != b"XYZ ":
        return None
    x, y, z = struct.unpack_from(">3i", data, place[0] + 8)
    return x / 65536, y / 65536, z / 65536


def _description(data: bytes, tags: Mapping[str, tuple[int, int]]) -> str:
    """Read ``desc``: ``multiLocalizedUnicodeType`` (10.15) or ``textDescriptionType`` (6.5.17)."""
    if "desc" not in tags:
        return "(a profile without a name)"
    offset, length = tags["desc"]
    tag = data[offset : offset + length]
    text = ""
    if tag[:4] == b"desc" and length >= 12:
        text = tag[12 : 12 + struct.unpack_from(">I", tag, 8)[0]].split(b"\0")[0].decode("latin-1")
    elif tag[:4] == b"mluc" and length >= 16:
        text = _localized(tag)
    printable = "".join(each if each.isprintable() else " " for each in text)
    return " ".join(printable.split())[:200] or "(a profile without a name)"


def _localized(tag: bytes) -> str:
    """Read the English text of a ``multiLocalizedUnicodeType``, else its first."""
    count, width = struct.unpack_from(">II", tag, 8)
    texts: list[tuple[bytes, str]] = []
    if width < _ENTRY_BYTES:
        return ""
    for index in range(min(count, (len(tag) - 16) // width)):
        entry = 16 + index * width
        language = tag[entry : entry + 2]
        length, start = struct.unpack_from(">II", tag, entry + 4)
        text = tag[start : start + length].decode("utf-16-be", errors="replace")
        texts.append((language, text.split("\0")[0]))
    english = [text for language, text in texts if language == b"en"]
    return (english or [text for _, text in texts] or [""])[0]


def _try_out(profile: Profile) -> None:
    """Let LittleCMS convert ends and middle, so that a table it cannot read is found now."""
    encoding = profile.encoding
    codes = np.array([0, 32768, 65535], dtype=np.uint16)
    pixels = np.repeat(codes[None, :, None], encoding.channels, axis=2)
    try:
        lab = imagecodecs.cms_transform(
            pixels[..., 0] if encoding is Encoding.GREY else pixels,
            profile.data,
            imagecodecs.cms_profile("lab4"),
            colorspace=LITTLECMS_NAMES[encoding],
            outcolorspace="lab",
            intent=1,
            flags=0x100,
        )
    except imagecodecs.CmsError as error:
        raise ProfileError(f"cannot be used: LittleCMS says {error}") from error
    if lab[0, 0, 0] == lab[0, 2, 0] and lab[0, 0, 0] == lab[0, 1, 0]:
        raise ProfileError("is damaged: every input value comes out equally light")
