"""What a proof sheet says in words: size and whether it fits, cost, what was decided and why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from hotfolder import (
    CLOSE_LOOKING,
    MM_PER_INCH,
    Intent,
    Job,
    Json,
    Medium,
    Money,
    PixelsWanted,
    RasterSpec,
    ReferenceShown,
    Rendering,
    SharpeningToCome,
    Surface,
    largest_mm,
    needed_ppi,
)
from hotfolder.colour import Floats, Transform, delta_e_00
from hotfolder.pages import describe_standing, describe_viewing, title_standing

_MEDIA = {
    Surface.CANVAS: "this canvas",
    Surface.MATTE: "this matte paper",
    Surface.LUSTRE: "this lustre paper",
    Surface.GLOSS: "this gloss paper",
    Surface.NEWSPRINT: "this newsprint",
    Surface.SCREEN: "this screen",
}

_WHY_INTENT = {
    Intent.PERCEPTUAL: "All colours give way together, so that differences between them stay.",
    Intent.RELATIVE_COLORIMETRIC: "Colours that fit stay as they are; the others become the "
    "nearest that fits.",
    Intent.SATURATION: "Colours are kept vivid, at the price of their exact hue.",
    Intent.ABSOLUTE_COLORIMETRIC: "Colours are kept with the white they had, as a proof of "
    "another medium needs.",
}

_ASKS_FOR_MORE = {"too-few-pixels", "few-pixels"}
"""Codes of reasons and warnings by which a picture has fewer pixels than its destination wants."""

_WHY_DETAIL = (
    "Colours that fit stay as they are; the others are brought in along their hue, so that "
    "neighbours stay apart."
)
_WORTH_A_WORD = 0.3
"""Of L*, a* or b*, on average."""

_WHY_REFINED = "Computed from the profile's measurements; a measured strip proves it."


@dataclass(frozen=True)
class Fact:
    """A line of a list: what it is about, what is so, and why or what follows."""

    term: str
    value: str
    note: str = ""


def medium_in_words(surface: Surface) -> str:
    """Name the medium as in a sentence: "this canvas"."""
    return _MEDIA[surface]


def distance(length_mm: float) -> str:
    """Write a viewing distance: "1.5 m", "35 cm"."""
    return f"{length_mm / 1000:g} m" if length_mm >= 1000 else f"{length_mm / 10:g} cm"


def print_size(result: RasterSpec) -> str:
    """Write the size on the medium, or in pixels where the file does not say."""
    pixels = f"{result.width_px} × {result.height_px} px"
    if not result.ppi:
        return pixels
    inches = (result.width_px / result.ppi, result.height_px / result.ppi)
    millimetres = " × ".join(f"{each * MM_PER_INCH:.0f}" for each in inches)
    return f"{millimetres} mm ({inches[0]:.1f} × {inches[1]:.1f} in)"


def cost(result: RasterSpec, medium: Medium) -> Money | None:
    """Say what the medium under one print costs with all that is around it; None if not known."""
    price = medium.cost_per_square_metre
    if price is None or not result.ppi:
        return None
    area_mm2 = result.width_px * result.height_px * (MM_PER_INCH / result.ppi) ** 2
    return Money(price.amount * area_mm2 / 1e6, price.currency)


def measures(result: RasterSpec, medium: Medium) -> dict[str, Json]:
    """Size on the medium and cost of the material under it, for the record."""
    mm: Json = None
    if result.ppi and medium.surface is not Surface.SCREEN:
        sides = (result.width_px, result.height_px)
        mm = [round(side / result.ppi * MM_PER_INCH, 1) for side in sides]
    money = cost(result, medium)
    return {
        "print_mm": mm,
        "material_cost": {"amount": round(money.amount, 2), "currency": money.currency}
        if money
        else None,
    }


def size_facts(result: RasterSpec, job: Job) -> list[Fact]:
    """Size, resolution, and whether the picture's own pixels are enough, for distance and job."""
    medium = job.medium
    pixels = f"{result.width_px} × {result.height_px} px"
    if not result.ppi or medium.surface is Surface.SCREEN:
        return [Fact("Size", pixels, "Shown on a screen, so its size there depends on the screen.")]
    return [
        Fact("Size", print_size(result), "With wrap, bleed and margins, where there are any."),
        Fact("Pixels", pixels, f"{result.ppi:g} per inch are sent to the printer."),
        _sharpness(result, job),
    ]


def _sharpness(result: RasterSpec, job: Job) -> Fact:
    distance_mm = job.medium.viewing_distance
    own, needs = result.effective_ppi, needed_ppi(distance_mm)
    width_px, height_px = (side / result.enlargement for side in result.looked_at_px)
    largest = largest_mm(width_px, height_px, needs)
    from_there = f"Looking from {distance(distance_mm)}"
    close = largest_mm(width_px, height_px, CLOSE_LOOKING * needs)
    room = (
        f"It stays sharp from there up to {_size(largest)}, and to a close look up to "
        f"{_size(close)}."
    )
    if wanted := job.told(PixelsWanted):
        allowed = largest_mm(width_px, height_px, wanted.ppi)
        room += f" {job.destination} asks for {wanted.ppi:g}: at most {_size(allowed)}."
    value = f"{own:.0f} of the picture's own pixels per inch"
    said_of = {each.code for each in job.reasons} | {each.code for each in job.warnings}
    if own >= needs and _ASKS_FOR_MORE & said_of:
        said = f"{value}: fewer than {job.destination} asks for"
        return Fact("Sharpness", said, f"{from_there}, {needs:.0f} would do. {room}")
    if own >= needs:
        return Fact("Sharpness", f"{value}: enough", f"{from_there}, {needs:.0f} do. {room}")
    return Fact(
        "Sharpness",
        f"{value}: too few",
        f"{from_there}, an eye can tell {needs:.0f}; the print will look soft. {room}",
    )


def _size(sides_mm: Sequence[float]) -> str:
    return f"{math.floor(sides_mm[0])} × {math.floor(sides_mm[1])} mm"


def decisions(raster: RasterSpec, transform: Transform, job: Job, reason: str) -> list[Fact]:
    """List what was decided without a person, and why.

    Parameters
    ----------
    raster
        The picture before its conversion.
    reason
        Why the intent was chosen for this picture; "" when the settings say which.
    """
    given = "Assumed, because the file says nothing that can be used."
    source = transform.source.description
    embedded = "As embedded."
    if raster.profile_chosen:
        embedded = "A profile of the light, used in place of the file's own as the settings say."
    facts = [
        Fact("Colours of the file", source, given if raster.profile_assumed else embedded),
        Fact("Colours of the print", transform.destination.description, "The medium's profile."),
    ]
    told = job.told(ReferenceShown)
    if told is not None and told.corrected:
        facts.append(Fact("Its colours", "Corrected before everything else", told.corrected))
    if not transform.is_identity:
        intent = str(transform.intent).capitalize()
        why = reason or _WHY_INTENT[transform.intent]
        if transform.rendering is not Rendering.INTENT:
            intent = f"{intent}, {transform.rendering}"
        if transform.keeps_detail:
            why = reason or _WHY_DETAIL
        if transform.is_refined:
            why = f"{why} {_WHY_REFINED}"
        facts += [
            Fact("Rendering intent", intent, why),
            _black(transform),
        ]
    facts += [_scale(raster), _sharpening(job), *_standing(job), *_viewing(job)]
    if raster.has_alpha:
        facts.append(Fact("Transparency", "Laid onto the medium's white", "A print has none."))
    made = job.result
    bits = f"{made.bits} bits a channel"
    facts.append(
        Fact("File", f"{made.format.upper()}, {bits}", "As the destination's settings say.")
    )
    notes = (*job.original.notes, *transform.notes)
    return facts + [Fact("Noted", note) for note in notes]


def _black(transform: Transform) -> Fact:
    if transform.is_deepened:
        value, why = "Depth", "Middle tones keep their contrast above the medium's weaker black."
    elif transform.compensates:
        value, why = "Compensated", "Shadows keep their steps above the medium's weaker black."
    else:
        value, why = "Not compensated", "Shadows darker than the medium's black become one."
    return Fact("Black point", value, why)


def _standing(job: Job) -> list[Fact]:
    """Say when the medium was last measured, and by how much it is off."""
    if job.standing is None or job.medium.surface is Surface.SCREEN:
        return []
    return [Fact(title_standing(job.standing), *describe_standing(job.standing))]


def _viewing(job: Job) -> list[Fact]:
    """Say in which light the result is judged, where a person has said so."""
    viewing = job.medium.viewing
    return [Fact("Judged", describe_viewing(viewing))] if viewing else []


def as_measured(lab: Floats, change: Floats, sd: Floats) -> Fact:
    """Say how far a picture comes out from what the sheet shows, as the medium was measured.

    Parameters
    ----------
    lab
        What the profile says of its pixels: shape (n, 3), absolute.
    change, sd
        Predicted from the control strip, and how sure that is: shape (n, 3).
    """
    mean = float(delta_e_00(lab, lab + change).mean())
    unsure = float(delta_e_00(lab, lab + 1.96 * sd / math.sqrt(3)).mean())
    L, a, b = (float(each) for each in change.mean(axis=0))
    words = [
        more if each > 0 else less
        for each, more, less in (
            (L, "lighter", "darker"), (a, "redder", "greener"), (b, "yellower", "bluer")
        )
        if abs(each) > _WORTH_A_WORD
    ]  # fmt: skip
    how = f", {' and '.join(words)}" if words else ""
    return Fact(
        "As measured",
        f"{mean:.1f} ± {unsure:.1f} ΔE00 from what is shown here{how}",
        "On average over this picture: the sheet shows what the profile says, the control strip "
        "what the medium did when it was measured.",
    )


def _scale(raster: RasterSpec) -> Fact:
    scale = raster.enlargement
    if scale == 1:
        return Fact("Scale", "As it came", "No pixel was made up or left out.")
    if scale > 1:
        return Fact("Scale", f"Enlarged to {100 * scale:.0f} %", "To the size that was asked for.")
    return Fact("Scale", f"Reduced to {100 * scale:.0f} %", "To the size that was asked for.")


def _sharpening(job: Job) -> Fact:
    if job.told(SharpeningToCome) is None:
        return Fact("Sharpening", "None", "The destination does not ask for it.")
    medium = job.medium
    seen = f"{medium_in_words(medium.surface)[5:]} seen from {distance(medium.viewing_distance)}"
    return Fact("Sharpening", f"For {seen}", "It makes up for what the surface softens.")
