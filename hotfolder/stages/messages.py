"""What stages of one job tell each other: frozen dataclasses, passed through the job.

A stage declares in ``tells`` which messages it may tell, and in ``comes_after`` behind whose
tellers it must stand; the settings are checked against both before any picture is touched. So a
stage depends on what is said, never on who says it: another stage can take the teller's place.

A stage of your own may tell these, or messages of its own that extend `Message`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.transform import Precision
from hotfolder.model.intent import Intent
from hotfolder.model.rendering import Rendering
from hotfolder.raster.picture import Area, Band, RasterSpec

if TYPE_CHECKING:  # it loads all that computes a rendering, and a command that looks has no use
    from hotfolder.colour.detail import Reach


@dataclass(frozen=True)
class Message:
    """Base of what one stage tells another; a message is a frozen dataclass that extends it.

    See Also
    --------
    Job.tell, Job.told
    """

    about_pixels: ClassVar[bool] = False
    """Whether it says something of the pixels as they are then: it ends with the next stage that
    changes them."""

    about_colours: ClassVar[bool] = False
    """Whether it says something of the colours as they are then: the next stage that does not keep
    them (`Stage.keeps_colours`) is the last that is told."""


@dataclass(frozen=True, eq=False)
class ColoursAhead(Message):
    """The picture's colours, for who must know all of them before the first band goes on.

    Notes
    -----
    The runner tells it, of an original whose rows can be read in any order: all but those that lie
    on their side. A stage that cuts something off tells what it leaves, see `cut`.

    Examples
    --------
    >>> import numpy as np
    >>> picture = np.arange(12, dtype=np.uint16).reshape(4, 3, 1)
    >>> rows = lambda wanted: [Band(each.start, picture[each.start : each.stop]) for each in wanted]
    >>> below = ColoursAhead(3, 4, rows).cut(range(1, 3), range(2, 4))
    >>> below.read([range(0, 1)])[0].pixels.ravel().tolist()
    [7, 8]
    """

    about_colours: ClassVar[bool] = True

    width_px: int
    """Of the picture at its own size, which need not be that of the bands to come."""

    height_px: int
    """As `width_px`."""

    read: Callable[[Sequence[range]], list[Band]]
    """Gives rows at that size, each range as one band. Near ones are to be asked for together."""

    def cut(self, columns: range, rows: range) -> ColoursAhead:
        """Return what is left of the picture when only a part of it is kept.

        Parameters
        ----------
        columns, rows
            What is kept, in pixels of the picture at its own size.

        Returns
        -------
        The same of that part.
        """

        def read(wanted: Sequence[range]) -> list[Band]:
            top = rows.start
            bands = self.read([range(each.start + top, each.stop + top) for each in wanted])
            across = slice(columns.start, columns.stop)
            return [
                Band(
                    each.top - top,
                    np.ascontiguousarray(each.pixels[:, across]),
                    None if each.alpha is None else np.ascontiguousarray(each.alpha[:, across]),
                )
                for each in bands
            ]

        return ColoursAhead(len(columns), len(rows), read)


@dataclass(frozen=True)
class SizeToCome(Message):
    """The stage that tells this gives the picture its final size.

    Notes
    -----
    It says no more than that: the size itself is in the raster that the stage returns.
    """


@dataclass(frozen=True)
class OwnPixels(Message):
    """The picture's own pixels, of which the stage that tells this in `Stage.open` makes more.

    Notes
    -----
    An enlargement has no colours but those of the picture, so whoever only measures them may look
    at fewer pixels. A stage that changes pixels ends it: none may stand between the two.
    """

    about_pixels: ClassVar[bool] = True

    raster: RasterSpec
    """The part of the picture that is kept, before it is enlarged."""

    at: Area
    """Where it lies in the raster that the stage returns."""

    watchers: list[Callable[[Band], None]] = field(default_factory=list, compare=False)

    def watch(self, take: Callable[[Band], None]) -> None:
        """Have every band given to `take`, in their order, before what it becomes.

        Parameters
        ----------
        take
            Called in another thread than the caller's. The band is not to be changed.
        """
        self.watchers.append(take)


@dataclass(frozen=True, eq=False)
class Cropped(Message):
    """What is cut off the picture to fill its size; known to every stage in `Stage.present`."""

    share: float
    """Of the picture's area, 0 … 1."""

    kept: Area
    """What is kept, in shares of the whole picture's width and height."""

    whole: NDArray[np.uint16]
    """The whole picture, small: shape (rows, width, channels)."""

    raster: RasterSpec
    """The whole picture; `whole` is in its colours."""


@dataclass(frozen=True, eq=False)
class ReferenceShown(Message):
    """What a reference says of the picture as it came; known to those that present after it.

    Told in `Stage.present`: the views cost more than what they say.
    """

    title: str
    """What it is and where, as a short sentence."""

    sentences: tuple[str, ...]
    """What it says, and what was done."""

    views: tuple[tuple[str, NDArray[np.uint16]], ...]
    """Titles and small pictures, shape (rows, width, channels): as it came, then corrected."""

    raster: RasterSpec
    """The picture as it came; the views are in its colours."""

    outlines: tuple[tuple[tuple[float, float], ...], ...] = ()
    """Corners of charts or cards, as shares of width and height."""

    places: tuple[tuple[float, float], ...] = ()
    """Middles of patches, likewise."""

    corrected: str = ""
    """How its colours were corrected, as a sentence; "" when they were not."""


@dataclass(frozen=True)
class PixelsWanted(Message):
    """How many of the picture's own pixels per inch the destination asks for."""

    ppi: float
    """The limit below which the picture is held, or else warned of."""


@dataclass(frozen=True)
class SharpeningToCome(Message):
    """The stage that tells this sharpens the picture for its medium and viewing distance.

    See Also
    --------
    SizeToCome
    """


@dataclass(frozen=True)
class ConversionToCome(Message):
    """The stage that tells this converts the picture to the medium's profile.

    Examples
    --------
    >>> ConversionToCome((Intent.PERCEPTUAL,)).is_open
    False
    """

    intents: tuple[Intent, ...] = (Intent.RELATIVE_COLORIMETRIC,)
    """The intent; several, when the stage chooses among them by looking at the picture."""

    black_point_compensation: bool = True
    """Whether the source's black is scaled to the medium's (ISO 18619)."""

    precision: Precision = Precision.FINE
    """How closely the conversion keeps to the profiles."""

    rendering: Rendering = Rendering.INTENT
    """Where the device values of a colour come from; refined and detail have one intent."""

    depth: bool = False
    """Whether lightness goes by a curve onto the medium's range, in place of black point
    compensation."""

    also: tuple[Rendering, ...] = ()
    """Renderings that are chosen among beside `intents`; all relative colorimetric."""

    @property
    def is_open(self) -> bool:
        """Whether the intent will be chosen later; `IntentChosen` then says which it was."""
        return len(self.intents) + len(self.also) > 1

    @property
    def expected_intent(self) -> Intent:
        """The intent, or the one to reckon with while it has not been chosen."""
        return Intent.RELATIVE_COLORIMETRIC if self.is_open else self.intents[0]

    @property
    def expected_precision(self) -> Precision:
        """The precision, or exact while it is not known what will be converted by it."""
        return Precision.EXACT if self.is_open else self.precision


@dataclass(frozen=True)
class IntentChosen(Message):
    """Which intent and rendering were chosen; known to every stage in `Stage.close`."""

    intent: Intent
    """The intent that the picture was converted with."""

    reason: str
    """Why, as one plain sentence for a photographer."""

    rendering: Rendering = Rendering.INTENT
    """The rendering that the picture was converted with."""


@dataclass(frozen=True)
class ReachMeasured(Message):
    """How far the picture goes beyond the medium; known to every stage in `Stage.close`.

    Told where the picture is converted with ``detail``, which brings it in by that much.
    """

    reach: Reach
    """By hue and lightness."""


@dataclass(frozen=True)
class LossTolerance(Message):
    """From which difference on a colour counts as lost in this job."""

    delta_e_00: float
    """CIEDE2000 difference, 0 … 100."""


@dataclass(frozen=True)
class LossMeasured(Message):
    """How much of the picture is lost, of every pixel; known to every stage in `Stage.present`.

    Notes
    -----
    Who shows a loss shows this one, if it is told: a picture has one number for it.
    """

    share: float
    """Share of the pixels, 0 … 1."""

    in_words: str
    """Which colours those are, in a few plain words; ``""`` when there are none."""

    out_of_gamut_share: float | None = None
    """Share of the pixels that the medium cannot make at all, 0 … 1; None when nobody looked."""


@dataclass(frozen=True)
class EditionNumber(Message):
    """Which print of a limited edition this job makes; told in `Stage.announce`.

    Notes
    -----
    For whoever writes it onto the picture or into its metadata; who decides it is a stage's matter.

    Examples
    --------
    >>> str(EditionNumber(3, 25))
    '3/25'
    """

    number: int
    """1 for the first print."""

    of: int
    """How many prints there will be."""

    is_given: bool = True
    """Whether the number is this job's for ever; in a trial it is only the one that comes next."""

    def __str__(self) -> str:
        return f"{self.number}/{self.of}"


@dataclass(frozen=True)
class InkLimit(Message):
    """The most ink that the destination allows at one place."""

    percent: float
    """The sum of all inks, 100 % each."""
