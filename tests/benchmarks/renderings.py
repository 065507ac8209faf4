"""What each rendering makes of photographs: ``python tests/benchmarks/renderings.py FOLDER …``.

After the way of testing of CIE 156:2004 (Guidelines for the evaluation of gamut mapping
algorithms, from memory): many photographs, each medium, and the two algorithms that it names,
HPMINDE and SGCK, as references (`reference.gamut_mapping`). Numbers stand in for its observers.
For each medium, means over the photographs of which more than 0.5 % does not fit:

- *mean, p95*: ΔE00 to the picture with its black scaled to the medium's;
- *contrast*: local contrast kept where colours do not fit (further than 1 ΔE00 from the nearest
  that the medium can make), 1 is all; over all windows of all photographs, and the mean of each;
- *hue*: mean turn of the hue there, in degrees, in IPT (Ebner & Fairchild 1998), a space that takes
  no part in the renderings;
- *halo*: mean ΔE00 of what fits within 5 pixels of what does not;
- *ink*: mean sum of inks, and how far black moves from the table's on average, in percent;
- *µs*: processor time for a colour that is converted exactly, all threads together.

``relative`` and ``perceptual`` are LittleCMS's, with black point compensation; ``least loss`` what
is chosen for each photograph among these two, refined and detail; ``nearest`` the nearest colours
there are, whatever becomes of neighbours. The last table says how often least loss chose which.

Options: ``--pixels 40000`` for each photograph, ``--profile FILE`` (any number, beside the demo's
two and that of libvips), ``--each`` for a line for each photograph, ``--write`` to keep the tables.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter, defaultdict
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

from hotfolder.colour.contrast import local_contrast, where_unfit
from hotfolder.colour.difference import delta_e_00
from hotfolder.colour.encodings import D50_XYZ, lab_to_xyz
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, convert_pixels, to_lab
from hotfolder.colour.medium import nearest
from hotfolder.colour.profile import Profile
from hotfolder.colour.rendering import (
    Detail,
    Refined,
    allowed_ways,
    find_reach,
    separate,
    wanted_colours,
)
from hotfolder.model.intent import Intent
from hotfolder_stages.profile_conversion.least_loss import choose
from reference.devices import SRGB, demo_printer, libvips
from reference.gamut_mapping import device_colours, hpminde, sgck

Codes = NDArray[np.uint16]
Floats = NDArray[np.floating[Any]]

_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_WHITES = [_BRADFORD @ np.array(white) for white in ((0.95047, 1.0, 1.08883), D50_XYZ)]
_D50_TO_D65 = np.linalg.solve(_BRADFORD, (_WHITES[0] / _WHITES[1])[:, None] * _BRADFORD)
_XYZ_TO_CONES = np.array([[0.4002, 0.7075, -0.0807], [-0.2280, 1.1500, 0.0612], [0, 0, 0.9184]])
_CONES_TO_IPT = np.array([[0.4, 0.4, 0.2], [4.4550, -4.8510, 0.3960], [0.8056, 0.3572, -1.1628]])

FITS_WITHIN = 1.0
FEWEST = 0.005
HALO_PX = 5
SUFFIXES = {".jpg", ".png", ".tif"}
_COMPENSATED = NO_GRID | BLACK_POINT_COMPENSATION


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER or FILE")
    parser.add_argument("--pixels", type=int, default=40_000)
    parser.add_argument("--profile", type=Path, action="append", default=[])
    parser.add_argument("--each", action="store_true")
    add_write_option(parser)
    options = parser.parse_args()
    profiles = {
        "libvips' CMYK": libvips("cmyk"),
        "demo canvas": demo_printer("matte-canvas", "4.4"),
        "demo book": demo_printer("coated-book", "4.4"),
    }
    profiles |= {path.stem: Profile.load(path) for path in options.profile}
    paths = [
        path
        for given in options.folders
        for path in (sorted(given.iterdir()) if given.is_dir() else [given])
        if path.suffix in SUFFIXES
    ]
    table = Table(title="renderings")
    names = ("medium", "rendering", "photographs", "mean", "p95", "contrast", "of each", "hue")
    for name in (*names, "halo", "ink", "µs"):
        table.add_column(name)
    single = Table(
        "photograph", "medium", "fits not", "rendering", "mean", "p95", "contrast", "hue"
    )
    chosen = Table("medium", "photographs", "least loss chose")
    for name, profile in profiles.items():
        found: dict[str, list[dict[str, float]]] = defaultdict(list)
        choices: Counter[str] = Counter()
        for path in paths:
            pixels = read(path, options.pixels)
            rows, choice = measure(pixels, profile)
            choices[choice] += 1
            print(name, path.stem, choice, file=sys.stderr, flush=True)
            for rendering, row in rows.items():
                if row["unfit"] > FEWEST:
                    found[rendering].append(row)
                single.add_row(
                    path.stem,
                    name,
                    f"{row['unfit']:.1%}",
                    rendering,
                    f"{row['mean']:.2f}",
                    f"{row['p95']:.2f}",
                    f"{row['kept'] / row['had']:.3f}" if row["had"] else "",
                    f"{row['hue']:.1f}°",
                )
        for rendering, rows_of in found.items():
            table.add_row(name, rendering, str(len(rows_of)), *summed(rows_of))
        table.add_section()
        said = ", ".join(f"{way} {count}" for way, count in choices.most_common())
        chosen.add_row(name, str(len(paths)), said)
    tables = [table, chosen, *([single] if options.each else [])]
    show(tables, write=options.write)


def summed(rows: list[dict[str, float]]) -> list[str]:
    """One line over several photographs."""

    def mean(key: str) -> float:
        return float(np.nanmean([row[key] for row in rows]))

    had, kept = (sum(row[key] for row in rows) for key in ("had", "kept"))
    each = [row["kept"] / row["had"] for row in rows if row["had"]]
    return [
        f"{mean('mean'):.2f}",
        f"{mean('p95'):.2f}",
        f"{kept / had:.3f}" if had else "",
        f"{np.mean(each):.3f}" if each else "",
        f"{mean('hue'):.1f}°",
        f"{mean('halo'):.2f}",
        f"{mean('ink'):.0f} {mean('black'):.2f}",
        f"{mean('us'):.1f}",
    ]


def read(path: Path, count: int) -> Codes:
    """Read a photograph as sRGB, reduced to about `count` pixels."""
    with Image.open(path) as image:
        picture = image.convert("RGB")
    scale = min(1.0, (count / (picture.width * picture.height)) ** 0.5)
    size = (round(picture.width * scale), round(picture.height * scale))
    return np.asarray(picture.resize(size, Image.Resampling.LANCZOS)).astype(np.uint16) * 257


def measure(pixels: Codes, profile: Profile) -> tuple[dict[str, dict[str, float]], str]:
    """Measure one picture on one medium; say what least loss chose."""
    flat = pixels.reshape(-1, 3)
    wanted = wanted_colours(SRGB, profile, flat)
    best = nearest(profile, wanted)
    size = (pixels.shape[1], pixels.shape[0])
    choice = choose(SRGB, profile, size, lambda a, b: pixels[a:b], allowed_ways(profile))
    reach = find_reach(SRGB, profile, pixels)

    def by_engine(intent: Intent) -> Codes:
        return convert_pixels(flat[None], SRGB, profile, intent, _COMPENSATED)[0]

    by_table = by_engine(Intent.RELATIVE_COLORIMETRIC)
    medium, source = device_colours(profile), device_colours(SRGB)
    uncompensated = to_lab(SRGB, flat)
    ways: dict[str, Callable[[], Codes]] = {
        "relative colorimetric": lambda: by_engine(Intent.RELATIVE_COLORIMETRIC),
        "perceptual": lambda: by_engine(Intent.PERCEPTUAL),
        "refined": lambda: Refined(SRGB, profile).convert(flat),
        "detail": lambda: Detail(SRGB, profile, reach=reach).convert(flat),
    }
    ways["least loss"] = ways[str(choice.way)]
    ways |= {
        "HPMINDE": lambda: separate(profile, hpminde(medium, wanted)),
        "SGCK": lambda: separate(profile, sgck(source, medium, uncompensated)),
        "refined + depth": lambda: Refined(SRGB, profile, depth=True).convert(flat),
        "nearest": lambda: codes(best.device),
    }
    shape = (1, *pixels.shape[:2], 3)
    before = local_contrast(wanted.reshape(shape))
    unfit = best.loss > FITS_WITHIN
    picture = unfit.reshape(pixels.shape[:2])
    where = where_unfit(before, picture[None])
    near = ndimage.binary_dilation(picture, iterations=HALO_PX) & ~picture
    rows = {}
    for name, convert in ways.items():
        started = time.process_time()
        device = convert()
        spent = time.process_time() - started
        made = to_lab(profile, device)
        off = delta_e_00(wanted, made)
        after = local_contrast(made.reshape(shape))
        rows[name] = {
            "unfit": float(unfit.mean()),
            "mean": float(off.mean()),
            "p95": float(np.percentile(off, 95)),
            "had": float(before[where].sum()),
            "kept": float(np.minimum(after, before)[where].sum()),
            "hue": hue_turn(wanted, made, unfit),
            "halo": float(off[near.ravel()].mean()) if near.any() else float("nan"),
            "ink": float(device.sum(axis=1).mean() / 655.35),
            "black": float(np.abs(device[:, -1].astype(float) - by_table[:, -1]).mean() / 655.35),
            "us": 1e6 * spent / len(flat),
        }
    return rows, str(choice.way)


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
