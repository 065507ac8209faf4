"""What the names of columns mean, in each convention that instruments' programs have."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

_SPECTRAL: Final = re.compile(
    r"(?:SPECTRAL_?(?:NM_?|PCT_?)?|NM_?|R_?|SPEC_?)?([3-8]\d\d)(?:[.,]0+)?(?:_?NM)?", re.IGNORECASE
)
_FULL: Final[Mapping[str, tuple[str, ...]]] = {
    "lab": ("LAB_L", "LAB_A", "LAB_B"),
    "xyz": ("XYZ_X", "XYZ_Y", "XYZ_Z"),
    "rgb": ("RGB_R", "RGB_G", "RGB_B"),
    "cmyk": ("CMYK_C", "CMYK_M", "CMYK_Y", "CMYK_K"),
}
_SHORT: Final[Mapping[str, tuple[tuple[str, ...], ...]]] = {
    # case tells the b of L*a*b* from the B of RGB
    "lab": (("L*", "a*", "b*"), ("L", "a", "b")),
    "xyz": (("X", "Y", "Z"),),
    "rgb": (("R", "G", "B"), ("r", "g", "b")),
    "cmyk": (("C", "M", "Y", "K"), ("c", "m", "y", "k")),
    "grey": (("GRAY",), ("GREY",), ("GRAY_K",), ("Gray",), ("Grey",)),
}
_KEYS: Final[Mapping[str, tuple[str, ...]]] = {
    "name": ("SAMPLE_NAME", "SAMPLENAME", "NAME", "PATCH"),
    "place": ("SAMPLE_LOC", "SAMPLELOC", "LOC", "LOCATION", "SAMPLE_LOCATION"),
    "id": ("SAMPLE_ID", "SAMPLEID", "ID", "NO", "NO."),
}


def find_colours(names: Sequence[str]) -> dict[str, tuple[int, ...]]:
    """Say in which columns colours and device values stand.

    Returns
    -------
    Places of columns, by ``lab``, ``xyz``, ``rgb``, ``cmyk``, ``grey``; only whole groups.
    """
    upper = [re.sub(r"[\s.]+", "_", each.strip().upper()) for each in names]
    found: dict[str, tuple[int, ...]] = {}
    for group, wanted in _FULL.items():
        if all(each in upper for each in wanted):
            found[group] = tuple(upper.index(each) for each in wanted)
    plain = [each.strip() for each in names]
    for group, ways in _SHORT.items():
        for way in ways:
            if group not in found and all(each in plain for each in way):
                found[group] = tuple(plain.index(each) for each in way)
    return found


def find_spectrum(names: Sequence[str]) -> dict[int, int]:
    """Say in which columns spectra stand: places by wavelength in nm."""
    found = {}
    for place, each in enumerate(names):
        match = _SPECTRAL.fullmatch(each.strip())
        if match:
            found[int(match.group(1))] = place
    return found if len(found) > 2 else {}


def find_key(names: Sequence[str], key: str) -> int | None:
    """Say in which column the ``name``, ``place`` or ``id`` of a patch stands."""
    upper = [re.sub(r"[\s.]+", "_", each.strip().upper()) for each in names]
    return next((upper.index(each) for each in _KEYS[key] if each in upper), None)


def has_colours(names: Sequence[str]) -> bool:
    """Whether a line of names has L*a*b*, XYZ or spectra."""
    return bool({"lab", "xyz"} & find_colours(names).keys() or find_spectrum(names))
