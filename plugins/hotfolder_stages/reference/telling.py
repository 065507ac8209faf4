"""What a reference says, in plain sentences for people."""

from __future__ import annotations

import math
from collections.abc import Mapping

from hotfolder import Json, number_in

_AS_IT_SHOULD_BE = 0.1
"""Stops that nobody sees."""

_EVEN_PERCENT = 3.0
"""Between the lightest and the darkest place of a chart or a card: what nobody sees."""

_NEUTRAL = 1.0
"""Chroma of a middle grey that nobody sees."""


def describe_reference(found: Mapping[str, Json], gain: float = 1.0) -> list[str]:
    """Say what a chart or a card tells.

    Parameters
    ----------
    found
        One of the stage's `charts`, or its `card`.
    gain
        How much less light the picture got than the one that the reference is in.
    """
    lines = [*_exposure(found, gain), *_light(found), *_greys(found), *_residual(found)]
    lines += _evenness(found)
    for key, what in (
        ("patches_clipped", "Clipped, and left out"),
        ("patches_at_zero", "A channel is at zero in"),
        ("patches_covered", "Covered, and left out"),
    ):
        names = found.get(key)
        if isinstance(names, list) and names:
            lines.append(f"{what}: {', '.join(map(str, names))}.")
    if found.get("curve_suspected"):
        lines.append("A look, or a tone curve, is in the picture that its profile does not know.")
    if found.get("wrong_profile_suspected"):
        lines.append(
            "Its colours are so far off that the profile is probably wrong; nothing is corrected "
            "by it."
        )
    return lines


def is_uneven(found: Mapping[str, Json]) -> bool:
    """Say whether the light on a chart or a card is uneven enough to be told."""
    return (number_in(found, "unevenness_percent") or 0) >= _EVEN_PERCENT


def _evenness(found: Mapping[str, Json]) -> list[str]:
    uneven = number_in(found, "unevenness_percent")
    if uneven is None:
        return []
    if not is_uneven(found):
        return ["The light on it is even."]
    stops = number_in(found, "evenness", "stops")
    if stops is not None:
        said = f"it falls off by {stops:.2g} stops along the line, from the {_say_side(found)}"
        return [f"The light on it is uneven: {said}."]
    too = ", too much to correct by it" if found.get("too_uneven") else ""
    said = f"{uneven:.0f} % from its darkest to its lightest place{too}"
    return [f"The light on it is uneven: {said}."]


def _say_side(found: Mapping[str, Json]) -> str:
    """Say between which sides of a card the light falls off: "left to the right"."""
    match found.get("evenness"):
        case {"lightest": [float(x), float(y)], "darkest": [float(u), float(v)]}:
            across, down = u - x, v - y
        case _:
            return "lightest to the darkest place"
    sides = []
    if abs(down) > abs(across) / 3:
        sides.append(("top", "bottom") if down > 0 else ("bottom", "top"))
    if abs(across) > abs(down) / 3:
        sides.append(("left", "right") if across > 0 else ("right", "left"))
    return " to the ".join(" ".join(each) for each in zip(*sides, strict=True))


def _exposure(found: Mapping[str, Json], gain: float) -> list[str]:
    stops = number_in(found, "exposure_stops")
    if stops is None:
        return []
    stops -= math.log2(gain)
    if abs(stops) < _AS_IT_SHOULD_BE:
        return ["The exposure is as it should be."]
    return [f"The picture is {abs(stops):.1f} stops too {'light' if stops > 0 else 'dark'}."]


def _light(found: Mapping[str, Json]) -> list[str]:
    a, b = number_in(found, "balance", "a"), number_in(found, "balance", "b")
    chroma = number_in(found, "balance", "chroma")
    if a is None or b is None or chroma is None:
        return []
    cct, duv = number_in(found, "light", "cct_k"), number_in(found, "light", "duv")
    light = f"White is shown as {cct:.0f} K, Duv {duv:+.3f}" if cct and duv is not None else ""
    light = light or "White is shown in a colour that has no colour temperature"
    if chroma < _NEUTRAL:
        return [f"The picture is balanced to its light. {light}."]
    leanings = {
        "yellower": b > chroma / 3,
        "bluer": -b > chroma / 3,
        "redder": a > chroma / 3,
        "greener": -a > chroma / 3,
    }
    words = [word for word, leans in leanings.items() if leans]
    return [f"{light}: a middle grey is {' and '.join(words)} than it is, by C* {chroma:.1f}."]


def _greys(found: Mapping[str, Json]) -> list[str]:
    greys = found.get("greys")
    if not isinstance(greys, list):
        return []
    said = [
        f"{each['patch']} {number_in(each, 'own_cast') or 0:.1f}"
        for each in greys
        if isinstance(each, dict) and "patch" in each
    ]
    return [f"Casts of its greys beside that of the whole (C*): {', '.join(said)}."] if said else []


def _residual(found: Mapping[str, Json]) -> list[str]:
    mean, worst = number_in(found, "residual", "mean"), number_in(found, "residual", "worst")
    left_out = number_in(found, "residual", "leave_one_out")
    residual = found.get("residual")
    if mean is None or worst is None or left_out is None or not isinstance(residual, dict):
        return []
    words = (
        f"Corrected, its colours are off by ΔE00 {mean:.1f} on average, the worst, "
        f"{residual.get('worst_patch')}, by {worst:.1f}; colours that took no part (leave-one-out) "
        f"by {left_out:.1f}."
    )
    return [words]
