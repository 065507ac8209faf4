"""What is lost of a picture, and what is to blame, as a photographer reads it."""

from __future__ import annotations

from hotfolder import Intent, Remedy, Rendering, Surface, say_share
from hotfolder.colour import Route
from hotfolder_stages.gamut_check.causes import Causes
from hotfolder_stages.gamut_check.regions import ALL_OVER, Region

_ALMOST_ALL = 0.98
"""Share of what is lost from which on one cause is named alone."""


def say_hold(
    causes: Causes, route: Route, limit: float, surface: Surface, region: Region | None
) -> str:
    """Say why a picture is held, and what can be done."""
    where = "they are scattered in places too small to name"
    if region is not None and region.place == ALL_OVER:
        where = f"they lie {ALL_OVER}"
    elif region is not None:
        where = f"the largest patch is {region.place} ({say_share(region.share)} of the picture)"
    medium, profile = _name_medium(surface), "This profile's table"
    which = f", {causes.words}" if causes.words else ""
    counted = causes.counted
    if causes.medium >= _ALMOST_ALL * counted:
        said = [
            f"{medium} cannot make {say_share(causes.medium)} of the picture{which}; {where}",
        ]
    elif causes.profile >= _ALMOST_ALL * counted:
        will_not = f"{profile} will not make {say_share(causes.profile)} of the picture"
        said = [f"{will_not}, though {_could(medium)}{_say_refined(causes)}{which}; {where}"]
    else:
        said = [f"{say_share(counted)} of the picture is lost{which}; {where}"]
        if causes.medium:
            said.append(f"{medium} cannot make {say_share(causes.medium)}")
        if causes.profile:
            will_not = f"{profile} will not make {say_share(causes.profile)}"
            said.append(f"{will_not}, though {_could(medium)}{_say_refined(causes)}")
    said += [note.removesuffix(".") for note in say_notes(causes, route)]
    said.append(
        f"Limit {say_share(limit)}: release it as it is, or bring these colours down and drop it "
        f"again"
    )
    return ". ".join(said) + "."


def list_remedies(causes: Causes, limit: float) -> list[Remedy]:
    """List the renderings by which a picture passes that is held now, for certain."""
    refined = causes.refined
    if refined is None or refined + causes.refined_error > limit:
        return []
    says = f"print it with the rendering refined, by which {say_share(refined)} is lost"
    return [Remedy(says, rendering=str(Rendering.REFINED))]


def say_notes(causes: Causes, route: Route) -> list[str]:
    """Say what a person should know of shadows, whites and moved colours; whole sentences."""
    notes = []
    if causes.crushed:
        if route.intent is Intent.ABSOLUTE_COLORIMETRIC:
            why = "absolute colorimetric never compensates for black"
        elif not route.compensates:
            why = "black point compensation is off"
        else:
            why = "the profile's table does not reach the black that is compensated for"
        notes.append(
            f"{say_share(causes.crushed)} of the picture is darker than the black that comes out, "
            f"where shadows become one: {why}."
        )
    if causes.clipped:
        notes.append(
            f"{say_share(causes.clipped)} of the picture is lighter than the white that comes "
            f"out, where whites become one: {route.intent} keeps the paper's own white."
        )
    if causes.intent:
        is_own = route.rendering is not Rendering.INTENT or route.depth
        notes.append(
            f"The {'rendering' if is_own else 'intent'} {route.way} moves "
            f"{say_share(causes.intent)} of the picture farther than the tolerance on purpose; "
            f"that does not count for a limit."
        )
    return notes


def _name_medium(surface: Surface) -> str:
    if surface is Surface.CANVAS:
        return "This canvas"
    if surface is Surface.SCREEN:
        return "This screen"
    return "This paper"


def _could(medium: str) -> str:
    return f"{medium[0].lower()}{medium[1:]} could"


def _say_refined(causes: Causes) -> str:
    if causes.refined is None or causes.refined >= causes.lost:
        return ""
    back, lost = say_share(causes.lost - causes.refined), say_share(causes.lost)
    return f': rendering "refined" brings back {back.removesuffix(" %")} of {lost}'
