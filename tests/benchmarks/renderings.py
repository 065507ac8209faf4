"""What each rendering makes of photographs: ``python tests/benchmarks/renderings.py FOLDER``.

For each photograph in a folder and each profile, one line for each rendering:

- *fits not*: share of the picture that is more than 3 ΔE00 from the nearest colour the medium can
  make, within the most ink that the profile's table lays anywhere;
- *mean, p95, above 3*: ΔE00 to the picture with its black scaled to the medium's;
- *contrast*: local contrast kept where colours do not fit (further than 1 ΔE00), 1 is all;
- *hue*: mean turn of the hue there, in degrees, in IPT (Ebner & Fairchild 1998), a space that takes
  no part in the renderings;
- *ink*: mean sum of inks, and how far black moves from the table's on average, in percent;
- *µs*: processor time for a colour that is converted exactly, all threads together.

Renderings: ``table`` is relative colorimetric with black point compensation as LittleCMS does it;
``refined`` as `hotfolder.colour.rendering` makes it; ``nearest, same ink`` and
``nearest`` the nearest colours there are, whatever becomes of neighbours.

Options: ``--pixels 60000`` for each photograph, ``--profile FILE`` (any number, beside the demo's
two and that of libvips), ``--write`` to keep the table.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from measured import add_write_option, show
from numpy.typing import NDArray
from PIL import Image
from rich.table import Table
from scipy import ndimage

sys.path.insert(0, str(Path(__file__).parents[1]))

from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import D50_XYZ, lab_to_xyz
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, convert_pixels, to_lab
from hotfolder.colour.local_contrast import VISIBLE, WINDOW_PX, local_contrast
from hotfolder.colour.medium import nearest
from hotfolder.colour.profile import Profile
from hotfolder.colour.rendering import Refined, wanted_colours
from hotfolder.model.intent import Intent
from reference.devices import SRGB, demo_printer, libvips

Codes = NDArray[np.uint16]
Floats = NDArray[np.floating[Any]]

_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_WHITES = [_BRADFORD @ np.array(white) for white in ((0.95047, 1.0, 1.08883), D50_XYZ)]
_D50_TO_D65 = np.linalg.solve(_BRADFORD, (_WHITES[0] / _WHITES[1])[:, None] * _BRADFORD)
_XYZ_TO_CONES = np.array([[0.4002, 0.7075, -0.0807], [-0.2280, 1.1500, 0.0612], [0, 0, 0.9184]])
_CONES_TO_IPT = np.array([[0.4, 0.4, 0.2], [4.4550, -4.8510, 0.3960], [0.8056, 0.3572, -1.1628]])

LOST = 3.0
FITS_WITHIN = 1.0


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--pixels", type=int, default=60_000)
    parser.add_argument("--profile", type=Path, action="append", default=[])
    add_write_option(parser)
    options = parser.parse_args()
    profiles = {
        "libvips' CMYK": libvips("cmyk"),
        "demo canvas": demo_printer("matte-canvas", "4.4"),
        "demo book": demo_printer("coated-book", "4.4"),
    }
    profiles |= {path.stem: Profile.load(path) for path in options.profile}
    table = Table(title="renderings")
    for name in ("picture", "profile", "fits not", "rendering", "mean", "p95", "above 3"):
        table.add_column(name)
    for name in ("contrast", "hue", "ink", "µs"):
        table.add_column(name, justify="right")
    paths = sorted(
        path for path in options.folder.iterdir() if path.suffix in {".jpg", ".png", ".tif"}
    )
    for path in paths:
        pixels = read(path, options.pixels)
        for name, profile in profiles.items():
            for row in rows_of(pixels, profile):
                table.add_row(path.stem, name, *row)
            table.add_section()
            print(path.stem, name, file=sys.stderr)
    show([table], write=options.write)


def read(path: Path, count: int) -> Codes:
    """Read a photograph as sRGB, reduced to about `count` pixels."""
    with Image.open(path) as image:
        picture = image.convert("RGB")
    scale = min(1.0, (count / (picture.width * picture.height)) ** 0.5)
    size = (round(picture.width * scale), round(picture.height * scale))
    return np.asarray(picture.resize(size, Image.Resampling.LANCZOS)).astype(np.uint16) * 257


def rows_of(pixels: Codes, profile: Profile) -> list[list[str]]:
    """Measure one picture on one medium."""
    flat = pixels.reshape(-1, 3)
    wanted = wanted_colours(SRGB, profile, flat)
    best = nearest(profile, wanted)
    by_table = convert_pixels(
        flat[None], SRGB, profile, Intent.RELATIVE_COLORIMETRIC, NO_GRID | BLACK_POINT_COMPENSATION
    )[0]
    ways: dict[str, Callable[[], Codes]] = {
        "table": lambda: convert_pixels(
            flat[None],
            SRGB,
            profile,
            Intent.RELATIVE_COLORIMETRIC,
            NO_GRID | BLACK_POINT_COMPENSATION,
        )[0],
        "perceptual": lambda: convert_pixels(
            flat[None], SRGB, profile, Intent.PERCEPTUAL, NO_GRID | BLACK_POINT_COMPENSATION
        )[0],
        "refined": lambda: Refined(SRGB, profile).convert(flat),
    }
    if profile.encoding.channels == 4:
        cap = by_table.sum(axis=1) / 65535
        ways["nearest, same ink"] = lambda: codes(nearest(profile, wanted, cap=cap).device)
    ways["nearest"] = lambda: codes(best.device)
    shape = (1, *pixels.shape[:2], 3)
    before = local_contrast(wanted.reshape(shape))[0]
    unfit = (best.loss > FITS_WITHIN).reshape(pixels.shape[:2])
    mostly = ndimage.uniform_filter(unfit.astype(np.float32), WINDOW_PX) > 0.5
    where = unfit & mostly & (before >= VISIBLE)
    rows = []
    for name, convert in ways.items():
        convert()
        started = time.process_time()
        device = convert()
        spent = time.process_time() - started
        made = to_lab(profile, device)
        off = delta_e_00(wanted, made)
        after = local_contrast(made.reshape(shape))[0]
        had = before[where].sum()
        kept = np.minimum(after, before)[where].sum() / had if had else np.nan
        ink = device.sum(axis=1).mean() / 655.35
        black = np.abs(device[:, -1].astype(float) - by_table[:, -1]).mean() / 655.35
        rows.append(
            [
                f"{(best.loss > LOST).mean():.1%}",
                name,
                f"{off.mean():.2f}",
                f"{np.percentile(off, 95):.2f}",
                f"{(off > LOST).mean():.1%}",
                f"{kept:.3f}",
                f"{hue_turn(wanted, made, unfit.ravel()):.1f}°",
                f"{ink:.1f} {black:.2f}" if profile.encoding.channels == 4 else "",
                f"{1e6 * spent / len(flat):.2f}",
            ]
        )
    return rows


def codes(device: Floats) -> Codes:
    """Device values 0 … 1 as codes."""
    return np.rint(device * 65535).astype(np.uint16)


def hue_turn(before: Floats, after: Floats, where: NDArray[np.bool_]) -> float:
    """Mean turn of the hue in IPT where there is colour, degrees."""
    if not where.any():
        return float("nan")
    one, other = (to_ipt(lab[where]) for lab in (before, after))
    chroma = [np.hypot(each[:, 1], each[:, 2]) for each in (one, other)]
    hues = [np.degrees(np.arctan2(each[:, 2], each[:, 1])) for each in (one, other)]
    turn = np.abs((hues[1] - hues[0] + 180) % 360 - 180)
    is_coloured = np.minimum(*chroma) > 0.1
    return float(turn[is_coloured].mean()) if is_coloured.any() else float("nan")


def to_ipt(lab: Floats) -> Floats:
    """CIELAB D50 to IPT, adapted to D65 by Bradford's transform.

    Ebner, F., & Fairchild, M. D. (1998). Development and testing of a color space (IPT) with
    improved hue uniformity. Color and Imaging Conference 1998, 8-13.
    """
    cones = lab_to_xyz(lab) @ (_XYZ_TO_CONES @ _D50_TO_D65).T
    return np.sign(cones) * np.abs(cones) ** 0.43 @ _CONES_TO_IPT.T


if __name__ == "__main__":
    main()
