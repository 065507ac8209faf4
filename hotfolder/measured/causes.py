"""In words, what has changed in a print and what may be the cause."""

from __future__ import annotations

from typing import Final

import numpy as np

from hotfolder.colour.arrays import Floats
from hotfolder.colour.profile import Profile
from hotfolder.measured.choosing import absolute_lab
from hotfolder.measured.control_strip import ControlStrip
from hotfolder.model.encoding import Encoding

_PAPER_SEEN: Final = 0.8
"""Change of the paper, in L*, a* and b*, from which it is the first cause to think of."""
_PAPER_PERHAPS: Final = 0.45
_PAPER_EXPLAINS: Final = 0.3
"""From this change on, if it explains so large a share of all changes."""
_SHARES: Final = (-0.2, 0.1, 0.2, 0.4, 0.7, 1.0)
"""How much less an ink may lay; negative: more."""
_EXPLAINS: Final = 0.55
"""Share of the change that one ink must account for to be named."""
_SEEN: Final = 0.2
_TELLS: Final = 0.4
"""A change this much smaller than the largest is not worth a word, and may be noise."""
_INKS: Final = {
    Encoding.CMYK: ("cyan", "magenta", "yellow", "black"),
    Encoding.RGB: ("cyan", "magenta", "yellow"),
    Encoding.GREY: ("black",),
    Encoding.LAB: (),
}


def describe_change(
    lab: Floats, before: Floats, strip: ControlStrip, profile: Profile, than: str = ""
) -> str:
    """Say in a sentence or two how a print differs from another, and what may be behind it.

    Parameters
    ----------
    lab, before
        Colours of the strip's patches: shape (n, 3).
    than
        With what it is compared, as in ``" than 5 weeks ago"``.
    """
    change = lab - before
    (paper,) = strip.of_kind("paper")
    of_paper = change[paper]
    if _is_of_paper(change, of_paper, before[:, :1] / before[paper, 0]):
        return (
            f"The paper is {_direction(of_paper)}{than}: another batch, or not dry yet? Dry it and "
            "measure again; if it is a new batch, put its first strip into new-batch/."
        )
    ink = _find_ink(change, strip, profile)
    if ink is not None:
        name, is_less = ink
        what = "less" if is_less else "more"
        cause = "a nozzle may be clogged" if is_less else "check the settings and the heads"
        return f"It looks like {what} {name} ink: {cause}. Clean the heads and measure again."
    return f"On average it is {_direction(change.mean(axis=0))}{than}: printer, settings or air?"


def _is_of_paper(change: Floats, of_paper: Floats, lightness: Floats) -> bool:
    """Whether the paper has changed, or perhaps has and would explain how all else has."""
    size = float(np.linalg.norm(of_paper))
    if size > _PAPER_SEEN or not change.any():
        return size > _PAPER_SEEN
    shines_through = of_paper * lightness**2  # less, the darker the print
    left = float(((change - shines_through) ** 2).sum()) / float((change**2).sum())
    return size > _PAPER_PERHAPS and 1 - left > _PAPER_EXPLAINS


def _find_ink(change: Floats, strip: ControlStrip, profile: Profile) -> tuple[str, bool] | None:
    """Which ink alone would explain most of a change, and whether there is less of it."""
    total = float((change**2).sum())
    best, found = _EXPLAINS, None
    encoding = profile.encoding
    as_made = absolute_lab(profile, strip.device)
    for channel, name in enumerate(_INKS[encoding]):
        for share in _SHARES:
            device = strip.device.copy()
            if encoding is Encoding.CMYK:
                device[:, channel] *= 1 - share
            else:  # no ink is 1
                device[:, channel] = 1 - (1 - device[:, channel]) * (1 - share)
            supposed = absolute_lab(profile, device) - as_made
            explained = 1 - float(((change - supposed) ** 2).sum()) / total if total else 0.0
            if explained > best:
                best, found = explained, (name, share > 0)
    return found


def _direction(change: Floats) -> str:
    L, a, b = (float(each) for each in change)
    words = [
        word
        for size, word in sorted(
            [
                (abs(L), "lighter" if L > 0 else "darker"),
                (abs(a), "redder" if a > 0 else "greener"),
                (abs(b), "yellower" if b > 0 else "bluer"),
            ],
            reverse=True,
        )
        if size > max(_SEEN, _TELLS * float(np.abs(change).max()))
    ]
    return " and ".join(words[:2]) or "nearly the same"
