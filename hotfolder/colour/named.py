"""Profiles that a setting can name without a file: sRGB, and greys of a stated curve.

For pictures that carry none: scans and exports in grey seldom have one, and hardly anybody has a
file for it.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Final

from hotfolder.colour.profile import Profile
from hotfolder.colour.spaces import SRGB_CURVE, SRGB_PRIMARIES, Curve, grey_profile, rgb_profile
from hotfolder.model.encoding import Encoding

USUAL_PROFILES: Final = {Encoding.RGB: ("sRGB",), Encoding.GREY: ("sRGB curve", "gamma 2.2")}
"""Names of those that pictures without a profile mostly mean, the likeliest first."""

_GAMMA: Final = re.compile(r"gamma ([1-3](?:\.\d{1,3})?)")


@cache
def named_profile(name: str) -> Profile | None:
    """Make the profile that a name stands for: ``sRGB``, ``sRGB curve``, ``gamma 2.2``.

    Parameters
    ----------
    name
        As a setting says it. Any exponent from 1 up to, but not including, 4.

    Returns
    -------
    The profile; None when the name stands for none.

    Examples
    --------
    >>> named_profile("gamma 1.8").description
    'Grey with gamma 1.8'
    >>> named_profile("gamma.icc") is None
    True
    """
    if name == "sRGB":
        return Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE))
    if name == "sRGB curve":
        return Profile.parse(grey_profile("Grey with the sRGB curve", SRGB_CURVE))
    found = _GAMMA.fullmatch(name)
    if found is None:
        return None
    exponent = float(found[1])
    return Profile.parse(grey_profile(f"Grey with gamma {exponent:g}", Curve((exponent,))))
