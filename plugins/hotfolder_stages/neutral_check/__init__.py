"""The stage ``neutral-check``: whether a black-and-white picture stays without colour.

It stands before the conversion, where it can still see that a picture has no colour, and
sends every shade of grey that occurs in it through the conversion that will follow. Of a toned
picture, a sepia print for example, it looks whether each shade keeps its tone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, ClassVar

from pydantic import Field

from hotfolder import (
    Band,
    ConversionToCome,
    Facts,
    Findings,
    Hold,
    Intent,
    Job,
    Json,
    OwnPixels,
    Place,
    RasterSpec,
    Rendering,
    Share,
    SizeToCome,
    Stage,
    StageSettings,
    flag_in,
    hookimpl,
    number_in,
    say_share,
    source_profile,
)
from hotfolder.colour import Precision, ProfileError, Route, Transform, flattened, wanted
from hotfolder_stages.neutral_check.cast import Cast, casts, in_words, largest_chroma
from hotfolder_stages.neutral_check.shades import Kind, Shades

__all__ = ["NeutralCheck", "NeutralCheckSettings"]


class NeutralCheckSettings(StageSettings):
    """The table ``[stage.neutral-check]``."""

    only_looks: ClassVar[bool] = True

    neutral_chroma: Annotated[float, Field(ge=0, le=20)] = 2.0
    """Chroma (C*ab) up to which a pixel counts as neutral. The noise of 8 bits in the picture's own
    colour space takes its place where that is larger. A picture is black and white when its pixels
    are neutral, all but `coloured_share` of them."""
    coloured_share: Share = 0.0002
    """Share of a picture's pixels that may have colour, or another than the picture's tone, while
    it counts as black and white, or as toned, all the same: dust and defects, nothing that an eye
    would see as a coloured part."""
    # One step of 8 bits in one channel is up to 1.2, so 2 allows for the rounding of any program
    # but for no tint that anybody would see (common practice, no source).
    hold_above_cast: Annotated[float, Field(ge=0, le=100)] | None = None
    """Chroma (C*ab) of a reproduced grey above which a black-and-white picture is held, or of what
    a shade of a toned picture gets beyond its tone; never, when it is not set."""


class NeutralCheck(Stage[NeutralCheckSettings]):
    """Recognise a black-and-white picture, and say what tint the destination gives it."""

    name = "neutral-check"
    Settings = NeutralCheckSettings
    place = Place.FINISHED
    comes_after = (SizeToCome,)

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Make ready to look at the picture, and to convert its greys as they will be.

        Raises
        ------
        Hold
            ``no-profile``, ``wrong-profile`` or ``profiles-do-not-join``, as profile-conversion.
        """
        self._encoding = raster.encoding
        source = source_profile(raster)
        told = job.told(ConversionToCome)
        destination = job.profile if told else source
        conversion = told or ConversionToCome(precision=Precision.EXACT)
        try:
            self._transforms = [
                Transform(
                    source,
                    destination,
                    intent,
                    black_point_compensation=conversion.black_point_compensation,
                    precision=_precision(conversion),
                    rendering=rendering,
                    depth=conversion.depth,
                )
                # where the choice is made later, from the picture: the worse of them is reported
                for intent, rendering in _ways(conversion)
            ]
        except ProfileError as error:
            raise Hold(
                "profiles-do-not-join",
                f"The picture cannot be compared with this destination: the profile {error}. "
                f"Give the picture or the destination another profile, and drop it again.",
            ) from error
        self._routes = [
            Route(
                source,
                destination,
                each.intent,
                black_point_compensation=conversion.black_point_compensation,
                rendering=conversion.rendering,
            )
            for each in self._transforms
        ]
        own = job.told(OwnPixels)
        self._shades = Shades(
            source,
            self.settings.neutral_chroma,
            self.settings.coloured_share,
            width_px=raster.width_px,
            height_px=raster.height_px,
            scale=max(1.0, own.at.width_px / own.raster.width_px) if own else 1.0,
        )
        return raster

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Look at every pixel until it is certain that there is colour, and pass all on."""
        for band in bands:
            if not self._shades.has_many_colours:
                self._shades.add(flattened(band.pixels, band.alpha, self._encoding))
            yield band

    def close(self) -> Findings:
        """Say whether the picture is black and white, and the worst cast of its greys.

        Raises
        ------
        Hold
            ``colour-cast``, when a black-and-white or toned picture gets more than
            ``hold_above_cast``.
        """
        kind = self._shades.close()
        findings: dict[str, Json] = {
            "monochrome": kind is Kind.MONOCHROME,
            "toned": kind is Kind.TONED,
            "neutral_chroma": self.settings.neutral_chroma,
            "neutral_chroma_with_noise": round(self._shades.largest_noise, 2),
            "decided": self._say_decided(kind),
        }
        if kind is Kind.COLOUR:
            return findings
        pixels, counts = self._shades.pixels(kind)
        is_toned = kind is Kind.TONED
        made = [
            casts(transform, pixels, counts, wanted(route, pixels) if is_toned else None)
            for transform, route in zip(self._transforms, self._routes, strict=True)
        ]
        worst = max(made, key=lambda each: each.worst.chroma)
        findings |= {
            "coloured_share": round(self._shades.coloured_share, 6),
            "original_chroma": round(largest_chroma(self._transforms[0].source, pixels), 2),
            "shades": len(pixels),
            **worst.summary(),
            "intents": [
                str(transform.intent)
                if transform.rendering is Rendering.INTENT
                else str(transform.rendering)
                for transform in self._transforms
            ],
        }
        limit = self.settings.hold_above_cast
        if limit is not None and worst.worst.chroma > limit:
            excess = worst.worst.chroma / max(limit, 1e-9)
            said = _say_tone(worst.worst, limit) if is_toned else _said(worst.worst, limit)
            raise Hold("colour-cast", said, findings, excess=excess)
        return findings

    def _say_decided(self, kind: Kind) -> str:
        shades, may = self._shades, say_share(self.settings.coloured_share)
        if kind is Kind.MONOCHROME:
            return (
                f"Black and white: {say_share(shades.coloured_share)} of it has colour ({may} may)."
            )
        if kind is Kind.TONED:
            return (
                f"Toned: it has colour, and all but {say_share(shades.off_share)} of it has one "
                f"colour at each lightness, the noise of compression aside ({may} may have others)."
            )
        return f"In colour: more than {may} of it has colour, of more than one hue or strength."

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say whether the picture is black and white, and its worst cast."""
        return Facts(
            is_black_and_white=flag_in(findings, "monochrome"),
            cast_chroma=number_in(findings, "worst_cast", "chroma"),
        )


def _ways(conversion: ConversionToCome) -> list[tuple[Intent, Rendering]]:
    """What the picture may be converted with."""
    own = sorted(conversion.intents, key=lambda each: each.code)
    also = [(Intent.RELATIVE_COLORIMETRIC, rendering) for rendering in conversion.also]
    return [*((intent, conversion.rendering) for intent in own), *also]


def _precision(conversion: ConversionToCome) -> Precision:
    """Return the precision at which the few shades of a picture come out as in the conversion.

    Fine keeps greys exact as well, and its grid need not be computed for them.
    """
    return Precision.FAST if conversion.precision is Precision.FAST else Precision.EXACT


def _say_tone(worst: Cast, limit: float) -> str:
    return (
        f"This picture is toned, but would come out with a {in_words(worst)} cast beside its tone: "
        f"at lightness {worst.lightness:.0f} it is off by a* {worst.a:+.1f} and b* {worst.b:+.1f}, "
        f"a chroma of {worst.chroma:.1f} ({limit:g} is allowed). Use a profile or a rendering "
        f"intent that keeps the tone, or release the picture as it is."
    )


def _said(worst: Cast, limit: float) -> str:
    return (
        f"This picture is black and white, but would come out with a {in_words(worst)} cast: at "
        f"lightness {worst.lightness:.0f} its grey has a* {worst.a:+.1f} and b* {worst.b:+.1f}, "
        f"a chroma of {worst.chroma:.1f} ({limit:g} is allowed). Use a profile or a rendering "
        f"intent that keeps greys neutral, or release the picture as it is."
    )
