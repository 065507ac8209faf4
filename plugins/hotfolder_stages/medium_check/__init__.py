"""The stage ``medium-check``: whether the medium still prints what its profile says.

A control strip that was measured says so (`hotfolder strip --control`); the stage compares what the
latest one came to with what the destination allows. It looks at no pixel and changes none.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Final, Literal

from pydantic import Field

from hotfolder import (
    DurationS,
    Findings,
    Hold,
    Job,
    Medium,
    MediumStanding,
    RasterSpec,
    Stage,
    StageSettings,
    Surface,
)
from hotfolder.pages import describe_standing

__all__ = ["MediumCheck", "MediumCheckSettings"]

_DAY_S: Final = 86400.0


class MediumCheckSettings(StageSettings):
    """The table ``[stage.medium-check]``."""

    only_looks: ClassVar[bool] = True

    verified_within: DurationS | None = None
    """How long ago a control strip may have been measured, as in "30 d"; for ever, when it is not
    set. A strip of an earlier profile does not count."""
    unverified: Literal["hold", "warn"] = "hold"
    """What to do when none was measured in that time: hold the picture, or only warn."""
    hold_above_drift: Annotated[float, Field(gt=0, le=50)] | None = None
    """The most that the medium may be from its first accepted print before the picture is held:
    mean ΔE00 of the control strip's patches; any, when it is not set."""
    hold_outside: str | None = None
    """Name of a set of limits that the latest strip has to be within, as in "house"; none, when it
    is not set."""

    def doubts(self, medium: Medium) -> Mapping[str, str]:
        """Doubt a check of nothing, and one of a screen."""
        if medium.surface is Surface.SCREEN:
            return {"verified_within": "a screen has no control strip to measure"}
        if (self.verified_within, self.hold_above_drift, self.hold_outside) == (None, None, None):
            said = "it checks nothing until verified_within or hold_above_drift is set"
            return {"verified_within": said}
        return {}


class MediumCheck(Stage[MediumCheckSettings]):
    """Hold or warn when the medium was not measured of late, or has drifted."""

    name = "medium-check"
    Settings = MediumCheckSettings

    def open(self, raster: RasterSpec, job: Job) -> RasterSpec:
        """Remember the job."""
        self._job, self._standing = job, job.standing or MediumStanding()
        return raster

    def review(self, result: RasterSpec) -> None:
        """Compare the medium's standing with what is allowed.

        Raises
        ------
        Hold
            ``medium-not-verified``, ``medium-drifted`` or ``medium-outside-limits``; the further
            ones stand in the first.
        """
        found = self._find_reasons()
        if found:
            first, *others = found
            first.also = tuple(others)
            raise first

    def close(self) -> Findings:
        """Return how the medium stood."""
        return self._standing.summarise()

    def _find_reasons(self) -> list[Hold]:
        found = []
        how, standing = self.settings, self._standing
        if not self._is_fresh():
            message = self._say_unverified()
            if how.unverified == "hold":
                found.append(Hold("medium-not-verified", message))
            else:
                self._job.warn("medium-not-verified", message)
        if not standing.is_verified:
            return found
        most = how.hold_above_drift
        if most is not None and standing.drifted_delta_e_00 > most:
            found.append(
                Hold(
                    "medium-drifted",
                    f"The medium is {standing.drifted_delta_e_00:.1f} ΔE00 on average from its "
                    f"first accepted print (allowed: {most:g}). {self._explain()}Mend the cause "
                    "and measure a new control strip, or make a new profile; or release the "
                    "picture if it may look like the latest prints.",
                    excess=standing.drifted_delta_e_00 / most,
                )
            )
        if how.hold_outside is not None and standing.within.get(how.hold_outside) is not True:
            is_known = how.hold_outside in standing.within
            what = "is not within" if is_known else "was not judged by"
            found.append(
                Hold(
                    "medium-outside-limits",
                    f"The medium {what} the set of limits {how.hold_outside!r} "
                    f"({standing.mean_delta_e_00:.1f} ΔE00 from its profile on average). "
                    "Mend the cause and measure a new control strip, or make a new profile; or "
                    "release the picture as it is.",
                    excess=None,
                )
            )
        return found

    def _is_fresh(self) -> bool:
        within = self.settings.verified_within
        if within is None:
            return True
        return self._standing.is_verified and self._standing.age_s <= within

    def _say_unverified(self) -> str:
        value, note = describe_standing(self._standing)
        within = self.settings.verified_within or 0.0
        strip = self._job.command("strip", "--control", "--for", self._job.destination)
        return (
            f"The medium was not verified within {within / _DAY_S:g} days, as the destination asks "
            f"for. {value}. {note} Print a control strip (`{strip}`), measure it "
            f"and put the file into measured/{self._job.destination}/, then release the picture."
        )

    def _explain(self) -> str:
        return f"{self._standing.words} " if self._standing.words else ""
