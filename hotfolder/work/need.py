"""What a destination needs of a picture, asked before it is taken.

No picture is read: the destination's stages are asked, as for a job, what they would make of one of
so many pixels, up to the stage that gives the final size, and those that put paper around it. So
size, crop, bleed, wrap and margins are those of the stages themselves, and what is enough is the
rule of the preflight and the proof sheet.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from pydantic import JsonValue

from hotfolder.colour.gamut import Gamut, gamut_of
from hotfolder.colour.profile import Profile, ProfileError
from hotfolder.colour.spaces import SRGB_CURVE, SRGB_PRIMARIES, rgb_profile
from hotfolder.errors import HotfolderError, Problem, SettingsError, StageError, Verdict
from hotfolder.model.destination import Surface
from hotfolder.model.encoding import Encoding
from hotfolder.model.eyesight import CLOSE_LOOKING, largest_mm, needed_ppi
from hotfolder.model.units import MM_PER_INCH, Money
from hotfolder.raster.picture import RasterSpec
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.stages.contract import Place
from hotfolder.stages.job import Job, Original
from hotfolder.stages.messages import PixelsWanted, SizeToCome

CAMERAS_MEGAPIXELS = (12.0, 24.0, 45.0, 100.0)
CAMERA_SHAPE = (3, 2)
"""Width to height of most cameras' pictures."""

_PROBE_PX = 24_000
"""Longer side of the picture by which a need is reckoned: more than any camera has."""

_SAME_SHAPE = 0.002


@dataclass(frozen=True)
class Pixels:
    """Pixels of a picture's own, uncropped, in the shape that `Need.shape` says."""

    ppi: float
    """Of them on the medium; 0 on a screen."""
    long_edge_px: int
    short_edge_px: int
    long_edge_with_margins_px: int
    """Of the same, as the long edge of all that is printed: with bleed and wrap."""

    @property
    def megapixels(self) -> float:
        """How many that are, in millions."""
        return self.long_edge_px * self.short_edge_px / 1e6


@dataclass(frozen=True)
class Cut:
    """What a picture of so many pixels becomes."""

    width_px: int
    """Of the picture that is dropped."""
    height_px: int
    effective_ppi: float
    """Its own pixels per inch on the medium."""
    cropped_share: float
    """Of its area, what the destination cuts off."""
    size_mm: tuple[float, float] | None
    """What is looked at; None on a screen."""
    is_sharp: bool
    """From the viewing distance."""
    is_sharp_close: bool
    is_asked_for: bool | None
    """Whether it has what the destination asks for; None when it asks for nothing."""
    largest_sharp_mm: tuple[float, float] | None
    """At most so large it is sharp from there."""
    largest_sharp_close_mm: tuple[float, float] | None
    may_be_cropped_to: float
    """Share of each side that is enough to be sharp from there; above 1: it has too few."""


@dataclass(frozen=True)
class Camera:
    """What a camera's pictures become."""

    megapixels: float
    whole: Cut
    """The picture as it comes."""
    in_shape: Cut | None
    """Cropped beforehand to the destination's shape; None when it takes any shape."""


@dataclass(frozen=True)
class Need:
    """What a destination needs."""

    destination: str
    title: str
    surface: str
    viewing_distance_mm: float
    shape: tuple[int, int]
    """Of the picture that `size_mm` and the pixels are told for, width and height as numbers."""
    shape_is_fixed: bool
    """Whether every picture comes out in it."""
    size_mm: tuple[float, float] | None
    """What is looked at, without bleed and wrap; None on a screen, or where no size is set."""
    whole_mm: tuple[float, float] | None
    """With bleed and wrap."""
    sheet_mm: tuple[float, float] | None
    """With the margins as well: the medium that it takes."""
    material_cost: Money | None
    """Of that medium; None when no price is set."""
    result_px: tuple[int, int] | None
    """The file that is made; None where no size is set."""
    sharp: Pixels | None
    """From the viewing distance; None where no size is set."""
    sharp_close: Pixels | None
    """To a close look; None on a screen, or where no size is set."""
    asked_for: Pixels | None
    """What the destination warns or holds below."""
    needed_ppi: float
    """From the viewing distance, whatever the size."""
    cameras: tuple[Camera, ...]
    gamut: Gamut | None
    reasons: tuple[str, ...] = ()
    """Why something cannot be said."""

    def summary(self) -> dict[str, JsonValue]:
        """Return what ``--json`` says of it."""
        said: dict[str, JsonValue] = asdict(self)
        return said


def find_need(
    root: Root,
    destination: Destination,
    folder: Path,
    cameras: Sequence[float] = CAMERAS_MEGAPIXELS,
    shape: tuple[int, int] = CAMERA_SHAPE,
) -> Need:
    """Say what a destination needs.

    Parameters
    ----------
    folder
        Empty, where stages may write.
    cameras
        Megapixels.
    shape
        Width to height of a camera's pictures.

    Raises
    ------
    StageError
        When a stage fails.
    """
    asking = _Asking(root, destination, folder)
    medium = destination.file.medium
    is_screen = medium.surface is Surface.SCREEN
    reasons: list[str] = []
    looked = [each for each in (asking.ask(*shape), asking.ask(1, 1)) if each]
    reasons += asking.reasons
    fixed = _find_shape(looked)
    told_for = fixed or (max(shape), min(shape))
    answer = asking.ask(*told_for) if looked else None
    sharp = close = wanted = None
    needs = needed_ppi(medium.viewing_distance)
    has_size = answer is not None and answer.has_size
    if answer is not None and not answer.has_size:
        reasons.append("No size is set: it follows from each file, or from a ticket's rows.")
    if answer is not None and has_size:
        if is_screen:
            sharp = answer.pixels_at(answer.result.ppi, said=0.0)
        elif needs:
            sharp, close = answer.pixels_at(needs), answer.pixels_at(CLOSE_LOOKING * needs)
        if asking.asks_ppi and not is_screen:
            wanted = answer.pixels_at(asking.asks_ppi)
    made = _Sizes(needs, asking.asks_ppi, is_screen=is_screen)
    found = tuple(_camera(asking, each, shape, fixed, made) for each in cameras if has_size)
    gamut = None
    try:
        gamut = gamut_of(destination.profile)
    except ProfileError as error:
        reasons.append(str(error))
    sheet = answer.sheet_mm if answer and has_size and not is_screen else None
    return Need(
        destination=destination.name,
        title=destination.file.title or destination.name,
        surface=medium.surface.value,
        viewing_distance_mm=medium.viewing_distance,
        shape=told_for,
        shape_is_fixed=fixed is not None,
        size_mm=answer.size_mm if answer and has_size and not is_screen else None,
        whole_mm=answer.whole_mm if answer and has_size and not is_screen else None,
        sheet_mm=sheet,
        material_cost=_find_cost(sheet, medium.cost_per_square_metre),
        result_px=(answer.sheet.width_px, answer.sheet.height_px) if answer and has_size else None,
        sharp=sharp,
        sharp_close=close,
        asked_for=wanted,
        needed_ppi=round(needs, 1),
        cameras=tuple(each for each in found if each),
        gamut=gamut,
        reasons=tuple(dict.fromkeys(reasons)),
    )


def read_shape(text: str) -> tuple[int, int]:
    """Read the shape of a camera's pictures, as in ``3:2``.

    Raises
    ------
    SettingsError
        When it is none.
    """
    parts = text.split(":")
    try:
        width, height = (int(each) for each in parts)
    except ValueError:
        width = height = 0
    if not (0 < width <= 100 and 0 < height <= 100):
        raise SettingsError([Problem("--shape", "", text, 'two whole numbers, as in "3:2"')])
    return width, height


@dataclass(frozen=True)
class _Answer:
    """What the stages make of a picture of so many pixels."""

    picture: RasterSpec
    result: RasterSpec
    """What the stage that sizes would leave."""
    sheet: RasterSpec
    """The same with the paper around it."""

    @property
    def has_size(self) -> bool:
        """Whether the destination decides the size, and not the file."""
        same = (self.picture.width_px, self.picture.height_px)
        return self.result.enlargement != 1.0 or self.result.looked_at_px != same

    @property
    def size_mm(self) -> tuple[float, float]:
        """What is looked at, without bleed and wrap."""
        return self._mm(*self.result.looked_at_px)

    @property
    def whole_mm(self) -> tuple[float, float]:
        """What is printed."""
        return self._mm(self.result.width_px, self.result.height_px)

    @property
    def sheet_mm(self) -> tuple[float, float]:
        """What lies in the printer, with the margins."""
        return self._mm(self.sheet.width_px, self.sheet.height_px)

    @property
    def cropped_share(self) -> float:
        """What of the picture's area is cut off: its parts beyond what is printed."""
        front_w, front_h = (side + 2 * self.result.bleed_px for side in self.result.looked_at_px)
        at = self.result.original_area
        kept = min(1.0, front_w / at.width_px) * min(1.0, front_h / at.height_px)
        # a side in whole pixels is off by up to half of one
        return 0.0 if 1 - kept < 2 / min(front_w, front_h) else 1 - kept

    def pixels_at(self, ppi: float, said: float | None = None) -> Pixels:
        """How many pixels the same picture must have for so many per inch."""
        factor = ppi / self.result.effective_ppi
        sides = [
            math.ceil(side * factor - 0.01)
            for side in (self.picture.width_px, self.picture.height_px)
        ]
        longest = max(self.result.width_px, self.result.height_px)
        printed = math.ceil(longest * ppi / self.result.ppi - 0.01)
        said_ppi = round(ppi if said is None else said, 1)
        return Pixels(said_ppi, max(sides), min(sides), printed)

    def _mm(self, width_px: int, height_px: int) -> tuple[float, float]:
        per_mm = self.result.ppi / MM_PER_INCH
        return round(width_px / per_mm, 1), round(height_px / per_mm, 1)


class _Asking:
    """Asks a destination's stages what they would make of pictures that nobody has taken yet."""

    def __init__(self, root: Root, destination: Destination, folder: Path) -> None:
        self._root, self._destination, self._folder = root, destination, folder
        self._profile = Profile.parse(rgb_profile("sRGB", SRGB_PRIMARIES, SRGB_CURVE))
        self.reasons: list[str] = []
        self.asks_ppi = 0.0

    def ask(self, width: float, height: float, long_edge_px: int = _PROBE_PX) -> _Answer | None:
        """Ask for a picture of a shape; None when it would be held or refused, see `reasons`."""
        scale = long_edge_px / max(width, height)
        sides = [max(1, round(side * scale)) for side in (width, height)]
        picture = RasterSpec(sides[0], sides[1], Encoding.RGB, self._profile)
        job = self._job(picture)
        stages, sized = [], ""
        for name, made in self._destination.stages.items():
            if not sized or made.place is Place.SHEET:
                stages.append((name, made, self._destination.stage_settings[name]))
            if SizeToCome in made.tells:
                sized = sized or name
        result = spec = picture
        name = ""
        try:
            opened = []
            for name, made, settings in stages:
                stage = made(settings)
                opened.append((name, stage, job.given_to(made)))
                stage.announce(opened[-1][2])
            for each, stage, given in opened:
                name = each
                spec = stage.open(spec, given)
                if type(stage).place is not Place.SHEET:
                    result = spec
        except Verdict as verdict:
            self.reasons.append(verdict.message)
            return None
        except HotfolderError:
            raise
        except Exception as error:
            raise StageError(name, f"failed: {type(error).__name__}: {error}") from error
        if wanted := job.told(PixelsWanted):
            self.asks_ppi = wanted.ppi
        return _Answer(picture, result, spec)

    def _job(self, picture: RasterSpec) -> Job:
        file = self._destination.file
        original = Original(
            name="a picture to come", bytes=0, sha256="0" * 64, format="TIFF", bits=16, spec=picture
        )
        return Job(
            id="need",
            destination=self._destination.name,
            medium=file.medium,
            result=file.result,
            original=original,
            profile=self._destination.profile,
            profiles=self._root.profiles,
            folder=self._folder,
            is_trial=True,
        )


@dataclass(frozen=True)
class _Sizes:
    """What is enough."""

    needs: float
    asks: float
    is_screen: bool

    def judge(self, answer: _Answer) -> Cut:
        """Say what a picture becomes, and whether that is enough."""
        result = answer.result
        own, needs = result.effective_ppi, result.ppi if self.is_screen else self.needs
        seen = [side / result.enlargement for side in result.looked_at_px]
        largest, largest_close = (self._largest(seen, each) for each in (1.0, CLOSE_LOOKING))
        # a size in whole pixels may be off by half of one
        enough = own * 1.001
        return Cut(
            answer.picture.width_px,
            answer.picture.height_px,
            round(own, 1),
            round(answer.cropped_share, 4),
            None if self.is_screen else answer.size_mm,
            enough >= needs,
            enough >= needs * (1 if self.is_screen else CLOSE_LOOKING),
            enough >= self.asks if self.asks and not self.is_screen else None,
            largest,
            largest_close,
            round(needs / own, 3),
        )

    def _largest(self, seen: Sequence[float], finer: float) -> tuple[float, float] | None:
        if self.is_screen or not self.needs:
            return None
        width, height = largest_mm(seen[0], seen[1], finer * self.needs)
        return width, height


def _camera(
    asking: _Asking,
    megapixels: float,
    shape: tuple[int, int],
    fixed: tuple[int, int] | None,
    sizes: _Sizes,
) -> Camera | None:
    wide, tall = max(shape), min(shape)
    if fixed and fixed[1] > fixed[0]:
        wide, tall = tall, wide  # the camera is turned as the place is
    width = math.sqrt(megapixels * 1e6 * wide / tall)
    height = width * tall / wide
    whole = asking.ask(wide, tall, round(max(width, height)))
    if whole is None:
        return None
    in_shape = None
    if fixed:
        kept = min(width, height * fixed[0] / fixed[1]), min(height, width * fixed[1] / fixed[0])
        in_shape = asking.ask(*kept, long_edge_px=round(max(kept)))
    return Camera(megapixels, sizes.judge(whole), sizes.judge(in_shape) if in_shape else None)


def _find_cost(size_mm: tuple[float, float] | None, price: Money | None) -> Money | None:
    if size_mm is None or price is None:
        return None
    return Money(round(price.amount * size_mm[0] * size_mm[1] / 1e6, 2), price.currency)


def _find_shape(answers: Sequence[_Answer]) -> tuple[int, int] | None:
    """Return the shape in which pictures of every shape come out; None when it is their own."""
    if len(answers) < 2:
        return None
    ratios = [each.result.looked_at_px[0] / each.result.looked_at_px[1] for each in answers if each]
    if max(ratios) / min(ratios) > 1 + _SAME_SHAPE:
        return None
    return answers[0].result.looked_at_px
