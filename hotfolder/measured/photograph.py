"""Drift by a photograph: the new strip beside the first accepted one, in one frame.

No camera measures colour. But two strips in one frame are seen by the same camera in the same
light, so what it gets wrong of one it gets wrong of the other, and the difference is nearly right.
So a photograph says how the new print differs from the first accepted one, with how sure that is,
and never how far either is from the profile.

The light falls unevenly. It is taken for a smooth surface over the frame, learnt from the paper
between the patches; how much the paper itself differs between the strips is learnt with it, and is
as unsure as the light leaves it (Bayesian linear regression). The camera's numbers become L*a*b* by
a polynomial of degree two in their cube roots, fitted to the first strip's colours, with ridge
regression; the same polynomial serves both strips. Uncertainty is by drawing: readings, light,
the polynomial, and how well it carries a difference.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from hotfolder.colour.arrays import Floats
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import D50_XYZ, lab_to_xyz
from hotfolder.measured.control_strip import ControlStrip, recall_strips, strip_command
from hotfolder.measured.in_words import ENDS_IN_WORDS, NUMBERS_IN_WORDS
from hotfolder.measured.records import DriftSeen, Photographed, Verdict
from hotfolder.measured.sheet import sheet_grid
from hotfolder.measured.table import NotUsable
from hotfolder.measured.verdict import followed
from hotfolder.raster.patch_block import PatchGrid, list_grids
from hotfolder.settings.root import Root
from hotfolder.stages.roles import PhotographFindings, SeenGrid, SeenPatch

_LIKE: Final = 0.8
"""Correlation with the strip's own colours from which four marks are its corners."""
_CLEARLY: Final = 0.05
"""By how much it must be more like it than the next best."""
_SHARED: Final = 0.01
"""Of the frame: nearer corners are the same mark."""
_TILT_SD, _BEND_SD, _TINT_SD = 0.35, 0.2, 0.04
"""How unevenly light falls over a frame, in natural logarithms: across it, bent, and in its colour
across it. Wide; our own choice."""
_PAPER_SD: Final = 0.15
"""How much papers may differ, the same way."""
_LEAST_NOISE: Final = 0.002
"""Of what is read of a place, as a share: the paper's own texture. Our own choice."""
_RIDGE: Final = 1e-3
_CURVE_RIDGE: Final = 1e-4
_ROUNDS: Final = 4
_CURVE_SD: Final = 0.13
"""How unsure the camera's curve is, as a share of how much lighter one strip lies."""
_CURVE_FLOOR: Final = 0.006
_CARRIED: Final = 0.25
"""How unsure a difference is by the camera alone, as a share of it: a camera sees other colours
than an eye. Our own choice, by simulated cameras: tests/measuring/test_photograph.py."""
_FLOOR: Final = 0.2
_FLOORS: Final = {"grey_l": 0.35, "mean_l": 0.3, "black_l": 0.5}
"""Of each number, in L*, a* or b*: glare and what else is not known. Our own choice."""
_DRAWS: Final = 300
_SEED: Final = 19
SURE: Final = 1.96
"""Standard deviations on each side of which 95 of 100 lie."""
_MOST_CUT: Final = 3
_PICTURES: Final = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
"""How JPEG, PNG and TIFF begin; ``ftyp`` is in what telephones write."""


@dataclass(frozen=True)
class Compared:
    """What a photograph says: the new print less the first one."""

    drift: dict[str, DriftSeen]
    """By the keys of a verdict's ``drift``."""
    mean_delta_e_00: float
    """Of all patches; never negative, so noise alone raises it."""
    strip: str
    words: tuple[str, ...]


def list_photograph_grids(number: int) -> list[PatchGrid]:
    """Return every way in which a strip of so many patches is laid out: sheet, then blocks."""
    return [sheet_grid(number), *list_grids(number)]


def describe_grids(number: int) -> list[dict[str, object]]:
    """Return them as the stage in the role `Role.PHOTOGRAPH` wants them."""
    made = []
    for grid in list_photograph_grids(number):
        left, top, right, bottom = grid.marks
        across, down = grid.side / (right - left), grid.side / (bottom - top)
        gap = (grid.pitch[0] - grid.side) / (right - left)
        made.append(
            {
                "aspect": grid.aspect,
                "patches": grid.find_middles().tolist(),
                "paper": grid.find_paper().tolist(),
                "reach": [across * 0.3, down * 0.3],
                "paper_reach": [gap * 0.22, down * 0.25],
            }
        )
    return made


def is_picture(head: bytes) -> bool:
    r"""Whether a file that begins so is a picture, and no text of an instrument.

    Examples
    --------
    >>> is_picture(b"\xff\xd8\xff\xe0"), is_picture(b"CGATS.17")
    (True, False)
    """
    is_webp = head.startswith(b"RIFF") and head[8:12] == b"WEBP"
    return head.startswith(_PICTURES) or head[4:8] == b"ftyp" or is_webp


def judge_photograph(
    found: PhotographFindings,
    *,
    name: str,
    kept: str,
    sha256: str,
    strip: ControlStrip,
    earlier: Sequence[Verdict],
    now: datetime | None = None,
) -> Photographed:
    """Say what a photograph of the first accepted print and a new one comes to.

    Parameters
    ----------
    strip
        Which strip both are.
    earlier
        Verdicts of instruments on this destination, oldest first: the first of the latest chart
        is the first accepted print.

    Raises
    ------
    NotUsable
        Says what is wrong with the photograph.
    """
    first = _find_first(earlier, strip)
    said = compare_strips(found, strip, None if first is None else np.array(first.lab))
    return Photographed(
        destination=strip.destination,
        strip=strip.id,
        profile_sha256=strip.profile_sha256,
        file=name,
        kept=kept,
        sha256=sha256,
        judged=(now or datetime.now(UTC)).strftime("%Y-%m-%dT%H:%M:%SZ"),
        against=None if first is None else first.file,
        drift=said.drift,
        mean_delta_e_00=said.mean_delta_e_00,
        words=said.words,
    )


def choose_strip(root: Root, destination: str, profile: str) -> ControlStrip:
    """Choose the strip that a photograph dropped for a destination must show.

    Parameters
    ----------
    root
        Which remembers the strips.
    profile
        SHA-256 of the profile that it has now.

    Raises
    ------
    NotUsable
        When none was made with that profile.
    """
    for each in recall_strips(root):
        if (each.destination, each.profile_sha256) == (destination, profile):
            return each
    raise NotUsable(
        f"no control strip was made for {destination} with the profile that it has now: "
        f"`{strip_command(root, destination)}` makes one; drop a "
        "photograph of its prints"
    )


def _find_first(earlier: Sequence[Verdict], strip: ControlStrip) -> Verdict | None:
    last = earlier[-1] if earlier else None
    if last is None or last.strip != strip.id:
        return None
    return next(each for each in earlier if each.chart == last.chart)


def compare_strips(
    found: PhotographFindings, strip: ControlStrip, first_lab: Floats | None
) -> Compared:
    """Say how the new strip of a photograph differs from the first accepted one.

    Parameters
    ----------
    found
        What was read in the photograph.
    strip
        Which strip both are.
    first_lab
        What an instrument read of the first accepted print: shape (n, 3). None: it is taken to be
        as the profile says, which matters little for a difference.

    Raises
    ------
    NotUsable
        When the photograph does not clearly show two of these strips, or is too light or too dark.
    """
    known = strip.lab if first_lab is None else first_lab
    first, new = _find_two(found, strip)
    for which, each in (("first", first), ("new", new)):
        cut = [strip.patches[at].name for at, seen in enumerate(each.patches) if seen.cut]
        if len(cut) > _MOST_CUT or any(seen.cut for seen in each.paper):
            raise NotUsable(
                f"parts of the {which} strip are as light as the photograph can hold, or as dark "
                f"({', '.join(cut[:4]) or 'its paper'}): take it again, a little darker and "
                "without reflections"
            )
    return _compare(first, new, strip, known)


def _compare(first: SeenGrid, new: SeenGrid, strip: ControlStrip, known: Floats) -> Compared:
    rng = np.random.default_rng(_SEED)
    number = len(strip.patches)
    places, papers, is_new = _stack_paper(first, new)
    patches = [*first.patches, *new.patches]
    values = np.maximum([each.rgb for each in patches], 1e-6)
    noise = np.hypot([each.sd for each in patches], _LEAST_NOISE * values)
    at = np.array([(each.x, each.y) for each in patches])
    curve = _Curve.learn(places, papers, is_new, values[:number], at[:number], known, strip)
    surface = _Light.learn(places, curve.straighten(papers), is_new)
    draws = np.empty((_DRAWS, number, 3))
    for run in range(_DRAWS):
        light = surface.draw(rng, at) if run else surface.predict(at)
        read = values + rng.normal(size=values.shape) * noise if run else values
        if run:  # what the curve gets wrong of the step from one strip's light to the other's
            step = light[number:] - light[:number]
            light = light.copy()
            light[number:] += rng.normal(0, _CURVE_SD) * step + rng.normal(0, _CURVE_FLOOR)
        camera = curve.straighten(np.maximum(read, 1e-6)) / np.exp(light)
        keep = rng.choice(number, number) if run else np.arange(number)
        lab = _fit_camera(camera[:number], known, keep)(camera)
        carried = 1 + rng.normal(0, _CARRIED, 3) if run else 1.0
        draws[run] = (lab[number:] - lab[:number]) * carried
    numbers = [_followed_change(each, known, strip) for each in draws]
    drift = {}
    for key in numbers[0]:
        spread = np.std([each[key] for each in numbers[1:]])
        sd = float(np.hypot(spread, _FLOORS.get(key, _FLOOR)))
        value = round(numbers[0][key], 2)
        sure = round(SURE * sd, 2)
        drift[key] = DriftSeen(value=value, uncertainty=sure, seen=abs(value) > sure)
    apart = delta_e_00(known + draws[0], known)
    return Compared(drift, round(float(apart.mean()), 2), strip.id, tuple(_say(drift)))


def _followed_change(change: Floats, known: Floats, strip: ControlStrip) -> dict[str, float]:
    before, after = followed(known, strip), followed(known + change, strip)
    return {key: after[key] - before[key] for key in before}


@dataclass(frozen=True)
class _Light:
    """Light over a frame, in natural logarithms of each channel, learnt from paper."""

    mean: Floats
    """Of the coefficients, for luminance and two tints: shape (3, n)."""
    covariance: Floats
    """Shape (3, n, n)."""

    @classmethod
    def learn(cls, places: Floats, papers: Floats, is_new: Floats) -> _Light:
        """Learn it.

        Parameters
        ----------
        places
            Shape (n, 2), shares of the frame.
        papers
            What was read there: shape (n, 3).
        is_new
            1 where it is the new strip's paper, else 0.
        """
        terms = np.concatenate([_surface(places), is_new[:, None]], axis=1)
        logs = _to_tints(np.log(np.maximum(papers, 1e-6)))
        means, covariances = [], []
        for channel in range(3):
            slope = _TILT_SD if channel == 0 else _TINT_SD
            bend = _BEND_SD if channel == 0 else _TINT_SD / 2
            prior = np.array([10.0, slope, slope, bend, bend, bend, _PAPER_SD])
            sd, mean = 0.01, np.zeros(len(prior))
            for _ in range(3):
                precision = terms.T @ terms / sd**2 + np.diag(1 / prior**2)
                covariance = np.linalg.inv(precision)
                mean = covariance @ terms.T @ logs[:, channel] / sd**2
                left = logs[:, channel] - terms @ mean
                sd = max(_LEAST_NOISE, float(np.sqrt((left**2).sum() / max(1, len(left) - 5))))
            means.append(mean)
            covariances.append(covariance)
        return cls(np.array(means), np.array(covariances))

    def predict(self, at: Floats) -> Floats:
        """Return the light at places, without what the papers differ: shape (n, 3)."""
        return _from_tints(_surface(at) @ self.mean[:, :-1].T)

    def draw(self, rng: np.random.Generator, at: Floats) -> Floats:
        """Return one light that is as likely as it is."""
        drawn = np.stack(
            [
                rng.multivariate_normal(mean, covariance, method="cholesky")
                for mean, covariance in zip(self.mean, self.covariance, strict=True)
            ]
        )
        return _from_tints(_surface(at) @ drawn[:, :-1].T)


@dataclass(frozen=True)
class _Curve:
    """What a camera does to light before it writes it, and its file does not say."""

    weights: Floats
    """Shape (3,), of `_bend`."""

    @classmethod
    def learn(
        cls,
        places: Floats,
        papers: Floats,
        is_new: Floats,
        values: Floats,
        at: Floats,
        known: Floats,
        strip: ControlStrip,
    ) -> _Curve:
        """Learn it from the first strip's paper, greys and black, whose light is known.

        Parameters
        ----------
        places, papers, is_new
            As `_Light.learn` takes them.
        values, at
            Of the first strip's patches, what was read and where: shapes (n, 3) and (n, 2).
        known
            Their L*a*b*.
        """
        neutral = strip.of_kind("paper", "grey", "black")
        wanted = np.log(np.maximum(lab_to_xyz(known[neutral]), 1e-5))
        read, curve = values[neutral], cls(np.zeros(3))
        for _ in range(_ROUNDS):
            light = _Light.learn(places, curve.straighten(papers), is_new).predict(at[neutral])
            off = wanted - np.log(read) + light
            terms = _bend(read)
            # the constant of each channel is the paper's, and its light's
            off, terms = off - off.mean(axis=0), terms - terms.mean(axis=0)
            rows = terms.reshape(-1, terms.shape[-1])
            square = rows.T @ rows + _CURVE_RIDGE * len(rows) * np.eye(rows.shape[1])
            curve = cls(np.linalg.solve(square, rows.T @ off.ravel()))
        return curve

    def straighten(self, values: Floats) -> Floats:
        """Return the light before it, but for a factor: shape as `values`, (n, 3)."""
        made: Floats = values * np.exp(_bend(values) @ self.weights)
        return made


def _bend(values: Floats) -> Floats:
    root = np.cbrt(values)
    return np.stack([root, root**2, root**3], axis=-1)


def _surface(at: Floats) -> Floats:
    x, y = (at - 0.5).T
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)


def _to_tints(logs: Floats) -> Floats:
    red, green, blue = logs.T
    return np.stack([green, red - green, blue - green], axis=-1)


def _from_tints(tints: Floats) -> Floats:
    green, red, blue = tints.T
    return np.stack([red + green, green, blue + green], axis=-1)


class _Camera:
    """From a camera's numbers to L*a*b*, by a polynomial."""

    def __init__(self, weights: Floats) -> None:
        self._weights = weights

    def __call__(self, camera: Floats) -> Floats:
        made: Floats = _terms(camera) @ self._weights
        return made


def _fit_camera(camera: Floats, lab: Floats, keep: NDArray[np.int64]) -> _Camera:
    terms, wanted = _terms(camera[keep]), lab[keep]
    penalty = np.full(terms.shape[1], _RIDGE * len(terms))
    penalty[:4] = 1e-9  # the constant and the linear part are free
    weights = np.linalg.solve(terms.T @ terms + np.diag(penalty), terms.T @ wanted)
    return _Camera(weights)


def _terms(camera: Floats) -> Floats:
    root = np.cbrt(np.maximum(camera, 0.0))
    r, g, b = root.T
    return np.stack([np.ones_like(g), r, g, b, r * r, g * g, b * b, r * g, r * b, g * b], axis=-1)


def _stack_paper(first: SeenGrid, new: SeenGrid) -> tuple[Floats, Floats, Floats]:
    both: list[SeenPatch] = [*first.paper, *new.paper]
    # the paper patch itself is paper too
    places = np.array([(each.x, each.y) for each in both])
    papers = np.array([each.rgb for each in both])
    is_new = np.repeat([0.0, 1.0], [len(first.paper), len(new.paper)])
    return places, papers, is_new


def _find_two(found: PhotographFindings, strip: ControlStrip) -> tuple[SeenGrid, SeenGrid]:
    """The first accepted strip and the new one: the first lies on the left, or above."""
    scored = sorted(
        ((_liken(each, strip), place) for place, each in enumerate(found.seen)), reverse=True
    )
    chosen: list[SeenGrid] = []
    for score, place in scored:
        each = found.seen[place]
        if score < _LIKE:
            break
        rivals = [other for other in chosen if _shares_marks(each, other)]
        if not rivals:
            chosen.append(each)
        elif len(rivals) == 1 and set(each.corners) == set(rivals[0].corners):
            best = _liken(rivals[0], strip)
            if best - score < _CLEARLY:
                raise NotUsable(
                    "it is not clear which way up a strip lies in the photograph: take it again, "
                    "sharper, with the strips filling the frame"
                )
    if len(chosen) != 2:
        number = {0: "none", 1: "one"}.get(len(chosen), str(len(chosen)))
        raise NotUsable(
            f"the photograph must show two strips {strip.id}, the first accepted one on the left "
            f"or above, and the new one beside it, each with its four ringed marks; {number} can "
            f"be seen in it ({found.marks} marks)"
        )
    middles = [np.mean(each.corners, axis=0) for each in chosen]
    apart = middles[1] - middles[0]
    axis = int(abs(apart[1]) > abs(apart[0]))
    first = 0 if apart[axis] > 0 else 1
    return chosen[first], chosen[1 - first]


def _shares_marks(one: SeenGrid, other: SeenGrid) -> bool:
    apart = np.array(one.corners)[:, None] - np.array(other.corners)[None]
    return bool((np.abs(apart).max(axis=-1) < _SHARED).any())


def _liken(seen: SeenGrid, strip: ControlStrip) -> float:
    """How like the strip's colours those are: the least of three correlations, at most 1."""
    if len(seen.patches) != len(strip.patches):
        return 0.0
    light = np.array([each.rgb for each in seen.patches])
    light = np.cbrt(light / np.maximum(np.median([each.rgb for each in seen.paper], axis=0), 1e-6))
    wanted = np.cbrt(np.maximum(lab_to_xyz(strip.lab), 0) / D50_XYZ)
    pairs = [(light[:, 1], wanted[:, 1])]
    if strip.device.shape[1] > 1:
        pairs += [(light[:, at] - light[:, 1], wanted[:, at] - wanted[:, 1]) for at in (0, 2)]
    likes = [float(np.corrcoef(one, two)[0, 1]) for one, two in pairs]
    return float(np.mean([each if np.isfinite(each) else 0.0 for each in likes]))


def _say(drift: Mapping[str, DriftSeen]) -> Sequence[str]:
    said = []
    for key, each in drift.items():
        if each.seen:
            more, less = ENDS_IN_WORDS[key.rpartition("_")[2]]
            what = more if each.value > 0 else less
            said.append(
                f"{NUMBERS_IN_WORDS[key]} {each.value:+.1f} ± {each.uncertainty:.1f} ({what})"
            )
    if said:
        first = f"Beside the first accepted print: {'; '.join(said)}."
    else:
        worst = max(each.uncertainty for each in drift.values())
        first = (
            "Beside the first accepted print no change can be told; the least sure of its numbers "
            f"is known to ± {worst:.1f}."
        )
    return [
        first,
        (
            "This is by a photograph: it tells a change, never how far the print is from its "
            "profile. For that, measure it with an instrument."
        ),
    ]
