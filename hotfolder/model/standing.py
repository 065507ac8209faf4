"""How a medium stands: when its control strip was last measured, and how far off it was."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from hotfolder.model.facts import Json


@dataclass(frozen=True)
class StripToLay:
    """A control strip that a stage may lay beside a picture.

    See Also
    --------
    MediumStanding.strip
    """

    id: str
    """Eight hexadecimal digits, by which its measurement is recognised."""

    names: tuple[str, ...]
    """Of its patches, in the order in which they are read."""

    device: tuple[tuple[float, ...], ...]
    """Of each patch, by channel, 0 … 1: whole 255ths, which 8 and 16 bits hold exactly."""

    day: str
    """The day on which it is made, where the desk stands: ``"2026-11-28"``."""

    carried_by: str = ""
    """The job whose print carries the strip of this day, or is about to; "" when none does."""

    says: str = ""
    """What its 2D code says."""

    words: str = ""
    """What stands beside it for people."""


@dataclass(frozen=True)
class MediumStanding:
    """What the latest measured control strip says of a medium.

    See Also
    --------
    Job.standing
    """

    measured: str = ""
    """When its verdict was given: UTC, as records write times; "" when none ever was."""

    age_s: float = 0.0
    """How long ago that is."""

    profile_is_current: bool = True
    """Whether the strip was made with the profile that the destination has now."""

    mean_delta_e_00: float = 0.0
    """ΔE00 from what the profile says, on average over the strip's patches."""

    paper_delta_e_00: float = 0.0
    """The same, of the paper."""

    drifted_delta_e_00: float = 0.0
    """ΔE00 from the first accepted print of this paper, on average over the patches."""

    has_alarm: bool = False
    """Whether a control chart has raised an alarm that no new profile or paper has ended."""

    since: str = ""
    """The file of the first print concerned; "" while there is no alarm."""

    within: Mapping[str, bool] = field(default_factory=dict)
    """Whether it is within limits, by the name of their set."""

    words: str = ""
    """What a person should know, as sentences."""

    expected: tuple[tuple[float, float, float], ...] = ()
    """What the profile says of each patch: L*, a*, b* at D50, absolute colorimetric."""

    found: tuple[tuple[float, float, float], ...] = ()
    """What was measured, in the same order."""

    strip: StripToLay | None = None
    """The strip to lay beside the picture; None where no stage of the destination asks for it."""

    def summarise(self) -> dict[str, Json]:
        """Return what ``--json`` says of it.

        Returns
        -------
        JSON values.
        """
        if not self.measured:
            return {"measured": None}
        return {
            "measured": self.measured,
            "age_days": round(self.age_s / 86400, 2),
            "profile_is_current": self.profile_is_current,
            "mean_delta_e_00": self.mean_delta_e_00,
            "paper_delta_e_00": self.paper_delta_e_00,
            "drifted_delta_e_00": self.drifted_delta_e_00,
            "alarm": self.has_alarm,
            "within": dict(self.within),
        }

    @property
    def is_verified(self) -> bool:
        """Whether a strip was measured that was made with the profile of today."""
        return bool(self.measured) and self.profile_is_current
