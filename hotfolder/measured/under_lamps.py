"""What a measured strip becomes under other lamps, where its file has spectra.

All is by the spectra that an instrument read. A paper with brighteners glows by a lamp's own
ultraviolet light, which no reflectance tells; so its own shift is as good as that is little.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.disk import durable
from hotfolder.measured.book import Book
from hotfolder.measured.control_strip import ControlStrip
from hotfolder.measured.matching import match_patches
from hotfolder.measured.reading import Spectra, read_measurement
from hotfolder.measured.records import Verdict
from hotfolder.measured.spectra import spectra_to_xyz, xyz_to_lab_of
from hotfolder.measured.table import MAX_BYTES, NotUsable

LAMPS: Final[Mapping[str, str]] = {
    "A": "tungsten, halogen, 2856 K",
    "LED-B1": "warm white LED, 2733 K",
    "LED-V1": "warm white LED excited by violet, 2724 K",
    "LED-B2": "warm white LED, 2998 K",
    "LED-B3": "neutral white LED, 4103 K",
    "LED-V2": "neutral white LED excited by violet, 4070 K",
    "LED-B4": "cold white LED, 5109 K",
    "LED-B5": "daylight LED, 6598 K",
    "FL2": "cool white fluorescent, 4230 K",
    "FL11": "fluorescent of three bands, 4000 K",
}
"""Illuminants of CIE 15:2018, and what they stand for."""
_ALWAYS: Final = ("A", "LED-B1", "LED-B3", "FL2", "FL11")
_FROM: Final = "D50"
_SEEN: Final = 1.0
"""A cast in a* and b* from which a person who looks for it sees it on greys beside the paper."""


@dataclass(frozen=True)
class UnderLamp:
    """What a print becomes under a lamp, against D50; each light against its own white."""

    lamp: str
    title: str
    is_asked_for: bool
    """Whether the destination's settings name it."""
    paper: tuple[float, float, float]
    """Change of its L*, a* and b*."""
    greys: tuple[float, float]
    """Mean change of a* and b* of the greys, beyond the paper's, to which an eye adapts."""
    metamerism: float
    """Of the greys against a grey that reflects all wavelengths alike and matches under D50: the
    largest special metamerism index for change in illuminant, in ΔE*ab."""
    from_first: float | None
    """Of all patches against the first accepted print, the largest such index."""
    says: str


def find_under_lamps(
    book: Book,
    strip: ControlStrip,
    last: Verdict,
    first: Verdict | None,
    asked_for: str | None,
) -> list[UnderLamp]:
    """Compute what the latest print becomes under lamps.

    Parameters
    ----------
    last
        The latest verdict; its file is read again.
    first
        On the first accepted print of the same strip and chart; None when it is the latest.
    asked_for
        The lamp of the destination's settings, which comes first.

    Returns
    -------
    One for each lamp; none when the file has no spectra, or is no longer as it was judged.
    """
    found = _read_spectra(book, last, strip)
    if found is None:
        return []
    before = _read_spectra(book, first, strip) if first else None
    lamps = [each for each in (asked_for, *_ALWAYS) if each]
    return [
        compute_under(each, found, before, strip, is_asked_for=each == asked_for)
        for each in dict.fromkeys(lamps)
    ]


def compute_under(
    lamp: str, found: Spectra, before: Spectra | None, strip: ControlStrip, *, is_asked_for: bool
) -> UnderLamp:
    """Compute what a print becomes under a lamp.

    Parameters
    ----------
    found, before
        Of the print, and of the first accepted one if there is one: rows as the strip's patches.
    """
    lab = _lab(found, lamp) - _lab(found, _FROM)
    (paper,) = strip.of_kind("paper")
    greys = strip.of_kind("grey")
    a, b = (lab[greys, 1:] - lab[paper, 1:]).mean(axis=0).tolist()
    flat = Spectra(found.wavelengths, np.ones((len(greys), len(found.wavelengths))))
    some = Spectra(found.wavelengths, found.reflectance[greys])
    L, paper_a, paper_b = (round(float(each), 2) for each in lab[paper])
    return UnderLamp(
        lamp=lamp,
        title=LAMPS[lamp],
        is_asked_for=is_asked_for,
        paper=(L, paper_a, paper_b),
        greys=(round(a, 2), round(b, 2)),
        metamerism=round(float(compute_metamerism(some, flat, lamp).max()), 2),
        from_first=round(float(compute_metamerism(found, before, lamp).max()), 2)
        if before
        else None,
        says=_say_cast(a, b),
    )


def compute_metamerism(one: Spectra, two: Spectra, lamp: str) -> Floats:
    """Special metamerism index for a change in illuminant from D50, of pairs.

    What a pair does not match under D50 is taken out by the multiplicative correction: the second
    of each is multiplied in X, Y and Z by what makes it the first under D50.

    Parameters
    ----------
    one, two
        Pairs of spectra.
    lamp
        The test illuminant.

    Returns
    -------
    ΔE*ab under the lamp: shape (n,).

    References
    ----------
    CIE 15:2018, Colorimetry, 4th edition: special metamerism index, change in illuminant.
    """
    one_now, white = _xyz(one, lamp)
    two_now, _ = _xyz(two, lamp)
    corrected = two_now * _xyz(one, _FROM)[0] / _xyz(two, _FROM)[0]
    apart: Floats = np.linalg.norm(
        xyz_to_lab_of(one_now, white) - xyz_to_lab_of(corrected, white), axis=-1
    )
    return apart


def _xyz(spectra: Spectra, light: str) -> tuple[Floats, Floats]:
    return spectra_to_xyz(spectra.wavelengths, spectra.reflectance, "the spectra", light)


def _lab(spectra: Spectra, light: str) -> Floats:
    return xyz_to_lab_of(*_xyz(spectra, light))


def _read_spectra(book: Book, verdict: Verdict, strip: ControlStrip) -> Spectra | None:
    """The spectra of a strip's patches, in their order, from the file that was judged."""
    if verdict.made_from != "spectra" or verdict.strip != strip.id:
        return None
    try:
        with durable.open_to_read(book.folder / verdict.kept) as file:
            data = file.read(MAX_BYTES + 1)
        if hashlib.sha256(data).hexdigest() != verdict.sha256:
            return None
        measured = read_measurement(data, verdict.file)
        rows = match_patches(measured, strip)
    except (FileNotFoundError, NotUsable):
        return None
    if measured.spectra is None:
        return None
    return Spectra(measured.spectra.wavelengths, measured.spectra.reflectance[rows])


def _say_cast(a: float, b: float) -> str:
    """Say what greys become beside the paper."""
    if np.hypot(a, b) < _SEEN:
        return "greys stay"
    said = []
    if abs(a) >= _SEEN / 2:
        said.append("redder" if a > 0 else "greener")
    if abs(b) >= _SEEN / 2:
        said.append("yellower" if b > 0 else "bluer")
    return f"greys turn {' and '.join(said)}"
