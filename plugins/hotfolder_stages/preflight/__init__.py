"""The stage ``preflight``: what a file is, and whether it is good enough for where it goes.

It looks at the picture as it was dropped, and at the result once every stage has said what it
will do; it changes no pixel. The one thing it adds is a profile, where a file has none and the
settings say what to assume.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from hotfolder import (
    MM_PER_INCH,
    Band,
    Encoding,
    Facts,
    Findings,
    Hold,
    Job,
    Json,
    Medium,
    PixelsWanted,
    Place,
    RasterSpec,
    Remedy,
    Share,
    Stage,
    StageSettings,
    Surface,
    hookimpl,
    number_in,
    say_share,
)
from hotfolder.colour import (
    USUAL_PROFILES,
    Profile,
    ProfileError,
    is_srgb,
    lab_profile,
    named_profile,
)
from hotfolder_stages.preflight.clipping import Clipped

__all__ = ["Preflight", "PreflightSettings"]

_KINDS = {Encoding.RGB: "an RGB", Encoding.GREY: "a grey", Encoding.CMYK: "a CMYK"}

_PRINTER = "prtr"
"""The device class of a printer's profile (ICC.1:2022, 7.2.5); no picture is made in one."""

_MOST_FILES = 3
"""As many of profiles/ are offered to be assumed."""
_OPAQUE = 65535
_WORTH_A_WORD = 0.001
"""A share of the picture: soft edges alone are less."""
_FINE_PPI = 1200

_ABOVE_WHITE = (
    Remedy(
        "make it darker until its brightest value is white",
        settings={"reading.above_white": "scale"},
    ),
    Remedy("make all that is above white white", settings={"reading.above_white": "cut"}),
)

Ppi = Annotated[float, Field(ge=0)]


class PreflightSettings(StageSettings):
    """The table ``[stage.preflight]``."""

    judging: ClassVar[frozenset[str]] = frozenset(
        {"hold_below_ppi", "warn_below_ppi", "hold_above_clipped", "hold_above_cut"}
    )

    profiles: ClassVar[Mapping[str, Encoding]] = {
        "assume_rgb": Encoding.RGB,
        "assume_grey": Encoding.GREY,
        "assume_cmyk": Encoding.CMYK,
    }

    trust_colour_space: bool = True
    """Whether to believe the Exif data or PNG chunks of a picture without a profile when they
    name its colour space (sRGB, Adobe RGB). If not, the picture counts as one without any."""
    no_profile: Literal["hold", "assume"] = "hold"
    """What to do with a picture that has no usable profile: hold it, or assume one of those that
    the next three settings name."""
    assume_rgb: str | None = None
    """The profile assumed for an RGB picture without one: a file in the root's ``profiles/``, or
    ``"sRGB"``, which needs no file."""
    assume_grey: str | None = None
    """The profile assumed for a greyscale picture without one: a file in ``profiles/``; or, without
    a file, ``"sRGB curve"``, as grey pictures of cameras and scanners mostly mean, or the gamma of
    the program that made them: ``"gamma 2.2"``, ``"gamma 1.8"``."""
    assume_cmyk: str | None = None
    """The profile assumed for a CMYK picture without one: a file in ``profiles/``."""
    hold_below_ppi: Ppi | None = None
    """Hold a picture whose original has fewer pixels per inch than this at the final size."""
    warn_below_ppi: Ppi | None = None
    """Warn of a picture whose original has fewer pixels per inch than this at the final size."""
    hold_above_clipped: Share | None = None
    """Share of the picture that may be pure white or pure black before the job is held; never, when
    it is not set."""
    hold_above_cut: Share = 0.01
    """Share of a floating-point original's values that may be outside their range, where they are
    clipped, before the job is held."""

    def doubts(self, medium: Medium) -> Mapping[str, str]:
        """Limits that nothing passes, or that say nothing."""
        found = {}
        holds, warns = self.hold_below_ppi or 0.0, self.warn_below_ppi or 0.0
        for key, limit in (("hold_below_ppi", holds), ("warn_below_ppi", warns)):
            if limit > _FINE_PPI:
                found[key] = f"hardly any picture has {limit:g} pixels per inch of its own"
        if 0 < warns < holds and "warn_below_ppi" not in found:
            found["warn_below_ppi"] = f"is never said, as a picture is held below {holds:g}"
        if self.no_profile == "assume" and not (
            self.assume_rgb or self.assume_grey or self.assume_cmyk
        ):
            found["no_profile"] = 'is "assume", but no profile is named to be assumed'
        return found


class Preflight(Stage[PreflightSettings]):
    """Say what a file is; hold it when it is not good enough."""

    name = "preflight"
    Settings = PreflightSettings
    place = Place.ORIGINAL
    keeps_colours = True
    tells = (PixelsWanted,)

    def announce(self, job: Job) -> None:
        """Tell how many pixels per inch are asked for."""
        if wanted := self.settings.hold_below_ppi or self.settings.warn_below_ppi:
            job.tell(PixelsWanted(wanted))

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Check the profile, or put the assumed one in its place.

        Raises
        ------
        Hold
            ``no-profile``, ``profile-unusable``: nobody knows what the numbers mean.
        """
        self._job = job
        self._clipped = Clipped()
        self._seen_through, self._is_flattened = 0, False
        self._effective_ppi = 0.0
        self._raster = raster
        trusted = raster.profile_assumed and self.settings.trust_colour_space
        if trusted and raster.profile is not None:
            job.warn(
                "profile-assumed",
                "It carries no colour profile. As it names its colour space, "
                f"{raster.profile.description} was assumed.",
            )
        elif raster.profile is None or raster.profile_assumed:
            self._raster = replace(raster, profile=self._assumed(raster), profile_assumed=True)
        return self._raster

    def review(self, result: RasterSpec) -> None:
        """Look at the pixels' shape, and compare how many there are per inch with the limits.

        Raises
        ------
        Hold
            ``pixels-not-square``: the picture will come out squashed. ``too-few-pixels``; the
            message says the largest size that would pass.
        """
        self._effective_ppi = result.effective_ppi
        self._is_flattened = self._raster.has_alpha and not result.has_alpha
        limits = self.settings.hold_below_ppi, self.settings.warn_below_ppi
        if not self._effective_ppi and any(limits):
            self._job.warn(
                "no-size",
                "Neither the file nor the settings say how large it will be, so nobody can "
                "say how many pixels per inch it has.",
            )
        holds = []
        if not self._job.original.has_square_pixels:
            holds.append(Hold("pixels-not-square", self._not_square()))
        if self._is_below(limits[0]):
            holds.append(self._too_few_to_pass(result, limits[0] or 0.0))
        elif self._is_below(limits[1]):
            self._job.warn("few-pixels", self._too_few(result, limits[1], is_warning=True))
        _raise_all(holds)

    def bands(self, bands: Iterable[Band]) -> Iterator[Band]:
        """Count what is clipped, on the way through."""
        for band in bands:
            self._clipped = self._clipped.plus(band, self._raster.encoding)
            if band.alpha is not None:
                self._seen_through += int(np.count_nonzero(band.alpha < _OPAQUE))
            yield band

    def close(self) -> Findings:
        """Say what the file is and what is noticeable about it.

        Raises
        ------
        Hold
            ``values-cut``: too many floating-point values lie outside their range. ``clipped``:
            too much of the picture is pure white or pure black.
        """
        findings = self._findings()
        share = self._seen_through / (self._raster.width_px * self._raster.height_px)
        if self._is_flattened and share >= _WORTH_A_WORD:
            self._job.warn(
                "transparent",
                f"{_percent(share)} of the picture is transparent, wholly or in part; there it is "
                "laid onto white. If something else belongs behind it, flatten it onto that and "
                "drop it again.",
            )
        _raise_all([each for each in (self._cut(), self._too_clipped()) if each], findings)
        return findings

    @classmethod
    @hookimpl
    def hotfolder_facts(cls, findings: Findings, settings: Mapping[str, Json]) -> Facts:
        """Say how many pixels per inch the picture has, and how many are wanted."""
        warns, holds = (number_in(settings, f"{each}_below_ppi") for each in ("warn", "hold"))
        return Facts(effective_ppi=number_in(findings, "effective_ppi"), wanted_ppi=warns or holds)

    def _cut(self) -> Hold | None:
        """Why the picture is held for values that are cut."""
        share, limit = self._job.original.cut_share, self.settings.hold_above_cut
        if share <= limit:
            return None
        message = (
            f"{_percent(share)} of the picture's floating-point values lie outside what can be "
            f"printed and are cut; {_percent(limit)} is allowed. Bring them into the range in the "
            "original, or release the picture if nothing that matters is lost."
        )
        remedies = _ABOVE_WHITE if self._job.original.cut_above else ()
        return Hold("values-cut", message, excess=_excess(share, limit), remedies=remedies)

    def _too_clipped(self) -> Hold | None:
        """Why the picture is held for white and black."""
        clipped, limit = self._clipped, self.settings.hold_above_clipped
        lost = clipped.share(clipped.blown + clipped.blocked)
        if limit is None or lost <= limit:
            return None
        message = (
            f"{_percent(lost)} of the picture is pure white or pure black and has no detail "
            f"(white {_percent(clipped.share(clipped.blown))}, black "
            f"{_percent(clipped.share(clipped.blocked))}); {_percent(limit)} is allowed. "
            "Recover it in the original, or release the picture if that is how it should look."
        )
        return Hold("clipped", message, excess=_excess(lost, limit))

    def _assumed(self, raster: RasterSpec) -> Profile:
        if raster.encoding is Encoding.LAB:
            return lab_profile()  # these numbers mean colours by themselves
        code = "profile-unusable" if raster.profile_problem else "no-profile"
        fault = raster.profile_problem or "It carries no colour profile."
        kind = _KINDS[raster.encoding]
        if self.settings.no_profile == "hold":
            raise Hold(
                code,
                f"{_sentence(fault)} Nobody can know which colours its numbers mean: save "
                "it again with its profile embedded.",
                remedies=self._assumptions(raster.encoding),
            )
        key = f"assume_{raster.encoding}"
        name = getattr(self.settings, key)
        if name is None:
            raise Hold(
                code,
                f"{_sentence(fault)} The settings of {self._job.destination} do not say "
                f"what to assume for {kind} picture: set {key} in [stage.preflight] to a profile "
                f"for such pictures in profiles/{_or_usual(raster.encoding)}, or save the picture "
                "again with its profile embedded.",
                remedies=self._assumptions(raster.encoding),
            )
        profile = self._load(name, code, key)
        if profile.encoding is not raster.encoding:
            raise Hold(
                code,
                f"{_sentence(fault)} The profile {name}, which {key} names, is not for "
                f"{kind} picture: name another one in the settings of {self._job.destination}.",
                remedies=self._assumptions(raster.encoding),
            )
        said = f"{_sentence(fault)} {profile.description} was assumed."
        self._job.warn("profile-assumed", said)
        return profile

    def _assumptions(self, encoding: Encoding) -> list[Remedy]:
        """What could be assumed: what the settings name; or some files, and what needs none."""
        key = f"assume_{encoding}"
        named = getattr(self.settings, key)
        files = self._files_for(encoding)
        usual = {each: named_profile(each) for each in USUAL_PROFILES.get(encoding, ())}
        if any(map(is_srgb, files.values())):
            usual.pop("sRGB", None)
        found = dict(list(files.items())[:_MOST_FILES]) | usual
        if named is not None:
            own = files.get(named) or named_profile(named)
            found = {named: own} if own is not None and own.encoding is encoding else found
        return [
            Remedy(
                f"take its numbers for {_name(profile)}, if that is what they are",
                {"no_profile": "assume"} | ({} if name == named else {key: name}),
            )
            for name, profile in found.items()
            if profile is not None
        ]

    def _files_for(self, encoding: Encoding) -> dict[str, Profile]:
        """Profiles of ``profiles/`` that pictures may be made in, by name; sRGB stands first."""
        found = {}
        for path in sorted(self._job.profiles.glob("*.ic[cm]"), key=lambda it: it.name.casefold()):
            try:
                profile = Profile.load(path)
            except (OSError, ProfileError):
                continue
            is_for_a_picture = encoding is Encoding.CMYK or profile.device_class != _PRINTER
            if profile.encoding is encoding and is_for_a_picture:
                found[path.name] = profile
        return dict(sorted(found.items(), key=lambda each: not is_srgb(each[1])))

    def _load(self, name: str, code: str, key: str) -> Profile:
        try:
            return named_profile(name) or Profile.load(self._job.profiles / name)
        except (OSError, ProfileError) as error:
            why = error.strerror if isinstance(error, OSError) else str(error)
            raise Hold(
                code,
                f"It carries no colour profile that can be used, and {name}, which {key} in "
                f"the settings of {self._job.destination} names, cannot be read ({why}): put it "
                "into profiles/.",
                remedies=self._assumptions(self._raster.encoding),
            ) from error

    def _not_square(self) -> str:
        aspect = self._job.original.pixel_aspect
        return (
            f"The file says that its pixels are {aspect:.3g} times as wide as they are high, but "
            "a result has square ones, so the picture would come out squashed. Resample it to "
            "square pixels and drop it again, or release it if what the file says is wrong."
        )

    def _own_pixels_per_inch(self) -> float | None:
        """Return None where nobody knows, and on a screen, which has inches of its own."""
        on_screen = self._job.medium.surface is Surface.SCREEN
        return None if on_screen else round(self._effective_ppi, 1) or None

    def _is_below(self, limit: float | None) -> bool:
        return limit is not None and 0 < self._effective_ppi < limit

    def _too_few_to_pass(self, result: RasterSpec, limit: float) -> Hold:
        share = self._effective_ppi / limit
        sides = [math.floor(each * MM_PER_INCH) for each in _largest_inches(result, share)]
        says = f"deliver it at {sides[0]} × {sides[1]} mm, the largest size that passes"
        remedies = [Remedy(says, long_edge=f"{max(sides)} mm")] if min(sides) else []
        message = self._too_few(result, limit)
        return Hold("too-few-pixels", message, excess=1 / share, remedies=remedies)

    def _too_few(self, result: RasterSpec, limit: float | None, *, is_warning: bool = False) -> str:
        share = self._effective_ppi / limit if limit else 1.0
        wanted = (
            f"{self._job.destination} wants {limit:g} or more"
            if is_warning
            else f"the limit of {self._job.destination} is {limit:g}"
        )
        return (
            f"At {_size_now(result)} the picture has {self._effective_ppi:.0f} pixels of its own "
            f"per inch; {wanted}. The largest size that {'reaches it' if is_warning else 'passes'} "
            f"is {_said(_largest_inches(result, share))}."
        )

    def _findings(self) -> Findings:
        original, raster, clipped = self._job.original, self._raster, self._clipped
        profile = raster.profile
        return {
            "format": original.format,
            "bits": original.bits,
            "colour_space": raster.encoding.value.upper(),
            "width_px": raster.width_px,
            "height_px": raster.height_px,
            "megapixels": round(raster.width_px * raster.height_px / 1e6, 2),
            "alpha": raster.has_alpha,
            "pages": original.pages,
            "profile": profile.description if profile else None,
            "profile_assumed": raster.profile_assumed,
            "profile_problem": raster.profile_problem,
            "pixel_aspect": round(original.pixel_aspect, 4),
            "cut_share": round(original.cut_share, 6),
            "effective_ppi": self._own_pixels_per_inch(),
            "clipped_share": {
                "highlights": round(clipped.share(clipped.blown), 6),
                "shadows": round(clipped.share(clipped.blocked), 6),
                "any_channel": round(clipped.share(clipped.any_channel), 6),
            },
            "notes": list(original.notes),
        }


def _size_now(result: RasterSpec) -> str:
    """The size that will be looked at, to the nearest."""
    return _said([side / result.ppi for side in result.looked_at_px], round)


def _largest_inches(result: RasterSpec, share: float) -> list[float]:
    """The size at which the picture's pixels are spread over `share` of the length.

    Rounded down: what is said to pass does pass. A bleed stays as wide as it is.
    """
    front, bleed = result.looked_at_px, 2 * result.bleed_px
    smaller = min(share + (share - 1) * bleed / side for side in front)
    return [max(side * smaller, 0) / result.ppi + 1e-7 for side in front]


def _said(inches: list[float], to_whole: Callable[[float], int] = math.floor) -> str:
    mm = [to_whole(each * MM_PER_INCH) for each in inches]
    tenths = [to_whole(each * 10) / 10 for each in inches]
    return f"{mm[0]} × {mm[1]} mm ({tenths[0]:g} × {tenths[1]:g} in)"


def _excess(share: float, limit: float) -> float:
    """How far a share is beyond its limit, as a factor; 0 allowed is the most strict."""
    return share / max(limit, 1e-9)


def _raise_all(holds: list[Hold], findings: Findings | None = None) -> None:
    """Hold for all of it at once, each with its own code.

    Raises
    ------
    Hold
        The first, with the others.
    """
    if holds:
        holds[0].also, holds[0].findings = tuple(holds[1:]), dict(findings or {})
        raise holds[0]


def _or_usual(encoding: Encoding) -> str:
    """Say which profiles need no file."""
    return "".join(f' or "{each}"' for each in USUAL_PROFILES.get(encoding, ()))


def _percent(share: float) -> str:
    return say_share(share, digits=2)


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _name(profile: Profile) -> str:
    """Name a profile in the middle of a sentence; one of ours for grey begins with a capital."""
    said = profile.description
    return f"g{said[1:]}" if said.startswith("Grey with ") else said
