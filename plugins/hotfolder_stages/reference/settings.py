"""The table ``[stage.reference]``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field

from hotfolder import DurationS, Json, Share, StageSettings, WhiteWish, Wish
from hotfolder_stages.reference.correcting import Treatment

Limit = Annotated[float, Field(gt=0, le=100)]


def _read_spot(value: object) -> object:
    """Read a place as a command writes it: ``40%,30%``."""
    if isinstance(value, str):
        parts = [part.strip() for part in value.split(",")]
        value = [f"{part.removesuffix('%').strip()} %" for part in parts]
    if isinstance(value, (list, tuple)):
        value = [f"{100 * each:.10g} %" if isinstance(each, float) else each for each in value]
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError('two shares, from the left and from the top, as in "40%,30%"')
    return value


Spot = Annotated[
    tuple[Annotated[Share, Field(le=1)], Annotated[Share, Field(le=1)]],
    BeforeValidator(_read_spot, json_schema_input_type=str),
]
"""A place in a picture, from the left and from the top."""


ChartValues = Literal["babel_average", "cc2005", "ccb2014", "cca2014"]
"""Sets of values of the chart's patches, by colour-science's names."""


class ReferenceSettings(StageSettings):
    """The table ``[stage.reference]``."""

    grants: ClassVar[tuple[type[Wish], ...]] = (WhiteWish,)

    judging: ClassVar[frozenset[str]] = frozenset(
        {
            *("hold_above_residual", "hold_above_cast", "hold_above_exposure"),
            "wait_for_reference",
        }
    )

    chart_values: ChartValues = "babel_average"
    """Which values the chart's patches have, by colour-science's names: the mean of many charts,
    those of 2005, those of charts made before November 2014, or of later ones."""
    correct: Treatment | Literal["both"] = "nothing"
    """What is done with a reference: nothing, as what is white is a decision; ``keep the light``
    corrects exposure and the camera's errors, and leaves the light its colour; ``neutral`` takes
    the light's colour away as well; ``both`` makes two results of each picture, one so and one so,
    pixel on pixel, for whoever puts the true garment onto the warm evening by hand. Not in a
    destination that works on tickets."""
    carry_over_within: DurationS = 7200.0
    """How far apart a picture and a reference in another one of its folder or batch may have been
    taken for it to hold, the nearest of them; "0 s" carries nothing over. Camera, profile and white
    balance must be the same. One that comes later and is nearer names what was delivered before."""
    wait_for_reference: DurationS | None = None
    """How long a picture without a reference waits, from when it was looked at first, for one that
    holds for it to come into its folder or batch; then it goes on without. Without it nothing
    waits: a reference that comes later names what was delivered before."""
    card_at: Spot | None = None
    """A place where a person says that a grey card lies, as in "40%,30%" from the left and from the
    top: it tells exposure, balance and how even the light is. Beside a chart it is measured by it,
    and known in other frames at the same place. A grey patch is no proof of a card, so none is
    looked for."""
    white_at: Spot | None = None
    """A place that a person says is white or grey, as in "40%,30%" from the left and from the
    top: the picture is balanced for it. Recorded as a decision, and never as a measurement."""
    light_profile: str | None = None
    """A file in ``profiles/``, as `hotfolder light` makes it, that is used as the profile of each
    picture in place of its own: only for frames of the camera, light and processing that it was
    made for. The file's own profile is not looked at."""
    hold_above_residual: Limit | None = None
    """The ΔE00 of a chart's colours, by leave-one-out, above which its picture is held."""
    hold_above_cast: Limit | None = None
    """The chroma of a middle grey above which a picture with a chart is held."""
    hold_above_exposure: Limit | None = None
    """By how many stops a picture with a chart may be too light or too dark before it is held."""

    def granting(self, wish: Wish) -> Mapping[str, Json]:
        """Balance the picture for the place that a person says is white or grey."""
        return {"white_at": str(wish)} if isinstance(wish, WhiteWish) else {}

    def variants(self) -> Mapping[str, Mapping[str, Json]]:
        """Make two results of each picture, if both are asked for.

        Where a person says what is white, nothing is known of the light's amount: beside the
        balanced picture stands the one that came.
        """
        if self.correct != "both":
            return {}
        kept: dict[str, Json] = {"correct": "keep the light"}
        if self.white_at is not None:
            kept = {"correct": "nothing", "white_at": None}
        return {"light kept": kept, "neutral": {"correct": "neutral"}}

    @property
    def treatment(self) -> Treatment:
        """What is done for one result: of both, the first."""
        return "keep the light" if self.correct == "both" else self.correct

    def looks_only(self) -> bool:
        """Say whether nothing is corrected."""
        return self.correct == "nothing" and self.white_at is None
