"""How many 24-patch charts are found, how well they are read, and what looking costs.

::

    .venv/bin/python tests/benchmarks/charts.py                       # 20 scenes of each kind
    .venv/bin/python tests/benchmarks/charts.py --scenes 5 --photographs FOLDER
    .venv/bin/python tests/benchmarks/charts.py --second-opinion

Scenes are drawn from spectra under six lights through two cameras, see `stages.chart_scenes`;
decoys only look like a chart. FOLDER: photographs without one, as those of the Debian packages
gnome-backgrounds, lomiri-wallpapers and mate-backgrounds, which are not part of this project; each
is looked at whole and in two crops. Times are of the processor, not of the clock.

With ``--second-opinion`` the chart finder of opencv-contrib looks at other scenes of the same
kinds, and where both see the chart, it is compared where they see its patches and what colours they
read there. It needs ``pip install opencv-contrib-python-headless``, which nothing else here does.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

import numpy as np
from measured import add_write_option, show
from rich.table import Table

from hotfolder.colour import D50_XYZ, delta_e_00, xyz_to_lab
from hotfolder_stages.reference.chart import reference_xyz
from hotfolder_stages.reference.finder import Chart, find_charts
from hotfolder_stages.reference.fit import fit_chart
from hotfolder_stages.reference.patches import read_patches

# in place of this folder, whose colour.py would be taken for colour-science
sys.path[0] = str(Path(__file__).parents[1])

from stages import chart_decoys as decoys  # noqa: E402 - tests are no package
from stages import chart_scenes as scenes  # noqa: E402

LIGHT = scenes.decode(np.arange(256) / 255).astype(np.float32)
FIRST_SEED = 7000
"""Seeds of the tests are below."""

SECOND_SEED = 9000
"""For the second opinion: these took no part in making the finder."""

LOOKS = ((0.0, 1.0), (0.1, 1.2), (0.1, 1.35), (0.14, 1.0), (0.1, 1.6), (0.14, 1.5))
"""Depth of an S-curve on encoded values, and how much saturation is added."""

TO_XYZ = np.array(
    [[0.436066, 0.385147, 0.143066], [0.222488, 0.716873, 0.060608], [0.013916, 0.097076, 0.714096]]
)
"""IEC 61966-2-1 to the PCS, as the sRGB profile has it."""

SUFFIXES = {".jpg", ".png"}
LONG_EDGE_PX = 3072


def main() -> None:
    """Measure and show."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--scenes", type=int, default=20, help="of each kind")
    parser.add_argument("--photographs", type=Path, help="a folder of photographs without charts")
    parser.add_argument("--large", type=int, default=2, help="pictures of 24 MP to time")
    parser.add_argument("--second-opinion", action="store_true", help="by opencv-contrib")
    add_write_option(parser)
    chosen = parser.parse_args()
    tables = [
        count_found(chosen.scenes),
        count_false(chosen.scenes, chosen.photographs),
        measure_looks(),
    ]
    if chosen.large:
        tables.append(time_large(chosen.large))
    if chosen.second_opinion:
        tables += compare_readers(chosen.scenes)
    show(tables, write=chosen.write)


def planes_of(codes: np.ndarray) -> np.ndarray:
    """Return linear light, channels first, float32."""
    return np.ascontiguousarray(LIGHT[codes].transpose(2, 0, 1))


def count_found(number: int) -> Table:
    """Count scenes whose chart is found, by kind."""
    table = Table("scene", "found", "wrong", "centres off, worst", "processor s, median", "longest")
    sums = np.zeros(3, int)
    for case in scenes.CASES:
        found, wrong, off, spent = 0, 0, [], []
        for seed in range(FIRST_SEED, FIRST_SEED + number):
            small = case == "small"
            size = {"size": 0.03 + 0.05 * (seed % 10) / 9} if small else {}
            made = scenes.scene(seed, case, LONG_EDGE_PX if small else 1024, **size)
            planes = planes_of(made.codes)
            before = time.process_time()
            charts = find_charts(planes)
            spent.append(time.process_time() - before)
            misses = [
                float(np.linalg.norm(each.centres - made.centres, axis=1).max() / made.pitch_px)
                for each in charts
            ]
            right = [miss for miss in misses if miss < 0.3]
            found += bool(right)
            wrong += len(misses) - len(right)
            off += right[:1]
        sums += found, wrong, number
        worst = f"{max(off):.3f} of a distance" if off else "-"
        table.add_row(
            case, f"{found} of {number}", str(wrong), worst,
            f"{np.median(spent):.2f}", f"{max(spent):.2f}",
        )  # fmt: skip
    table.add_row(
        "all", f"{sums[0]} of {sums[2]} ({sums[0] / sums[2]:.1%})", str(sums[1]), "", "", ""
    )
    return table


def count_false(number: int, folder: Path | None) -> Table:
    """Count charts that are seen where there is none."""
    table = Table("without a chart", "pictures", "false", "processor s, median", "longest")
    pictures = [
        np.ascontiguousarray(decoys.decoy(kind, seed).transpose(2, 0, 1), np.float32)
        for kind in decoys.KINDS
        for seed in range(FIRST_SEED, FIRST_SEED + max(1, number // 4))
    ]
    rows: dict[str, list[tuple[int, float]]] = {"decoys": [look(each) for each in pictures]}
    for path in sorted(folder.rglob("*")) if folder else []:
        if path.suffix in SUFFIXES:
            for each in read_photograph(path):
                rows.setdefault("photographs and crops of them", []).append(look(planes_of(each)))
    for name, found in rows.items():
        spent = [seconds for _, seconds in found]
        table.add_row(
            name, str(len(found)), str(sum(count for count, _ in found)),
            f"{np.median(spent):.2f}", f"{max(spent):.2f}",
        )  # fmt: skip
    return table


def measure_looks() -> Table:
    """Measure how true 99 colours that took no part come out, by the look that is baked in."""
    table = Table(
        "curve", "saturation", "ΔE00, mean", "of the worst camera and light",
        "colours whole in the file", "of them", "by leave-one-out",
    )  # fmt: skip
    white = scenes.xyz_under("D50", np.ones((1, 31)))
    truth = xyz_to_lab(scenes.xyz_under("D50", scenes.other_surfaces()) * (D50_XYZ / white))
    for depth, saturation in LOOKS:
        rng = np.random.default_rng(SECOND_SEED)
        means, of_whole, left_out, whole = [], [], [], []
        for camera in range(len(scenes.cameras())):
            for light in scenes.LIGHTS:
                patches, others = (
                    take(surfaces, light, camera, depth, saturation, rng)
                    for surfaces in (scenes.PATCHES, scenes.other_surfaces())
                )
                usable = (scenes.encode(patches) < 0.99).all(axis=1)
                fits = fit_chart(patches, reference_xyz(), usable)
                made = fits.best.correction.apply(others)
                errors = delta_e_00(xyz_to_lab(made), truth)
                is_whole = ((others > 0) & (others < 0.99)).all(axis=1)
                means.append(errors.mean())
                of_whole.append(errors[is_whole].mean())
                whole.append(is_whole.mean())
                left_out.append(fits.best.leave_one_out)
        table.add_row(
            f"{depth:.2f}", f"{saturation:.2f}", f"{np.mean(means):.2f}", f"{max(means):.2f}",
            f"{np.mean(whole):.0%}", f"{np.mean(of_whole):.2f}", f"{np.mean(left_out):.2f}",
        )  # fmt: skip
    return table


def take(
    surfaces: np.ndarray,
    light: str,
    camera: int,
    depth: float,
    saturation: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """Return linear light of surfaces in an 8-bit sRGB file with a look, and some noise."""
    linear = scenes.photographed(surfaces, light, camera, None, 0.7)
    coded = scenes.encode(linear * (1 + rng.normal(0, 0.005, linear.shape)))
    coded = np.clip(coded + depth * np.sin(2 * np.pi * (coded - 0.5)), 0, 1)
    mean = coded.mean(axis=-1, keepdims=True)
    coded = np.clip(mean + (coded - mean) * saturation, 0, 1)
    return scenes.decode(np.rint(coded * 255) / 255)


def compare_readers(number: int) -> list[Table]:
    """Compare where two finders see patches, and which colours they read there."""
    places = Table(
        "scene", "found by ours", "by the other", "wrong by the other", "by both",
        "ours off, median", "other off, median", "ours, worst", "other, worst",
    )  # fmt: skip
    colours = Table(
        "found by both", "patches", "ΔE00 between the two, median", "95 %", "worst",
        "ours from the true place, median", "other, median", "ours, 95 %", "other, 95 %",
    )  # fmt: skip
    for case in scenes.CASES:
        offs: list[tuple[float, float]] = []
        apart: list[float] = []
        missed: list[list[float]] = []
        found = np.zeros(3, int)
        for seed in range(SECOND_SEED, SECOND_SEED + number):
            small = case == "small"
            size = {"size": 0.03 + 0.05 * (seed % 10) / 9} if small else {}
            made = scenes.scene(seed, case, LONG_EDGE_PX if small else 1024, **size)
            charts = find_charts(planes_of(made.codes))
            ours = [each for each in charts if _is_right(each.centres, made)]
            its = find_by_opencv(made.codes)
            right = [each for each in its if _is_right(each[0], made)]
            found += bool(ours), bool(right), len(its) - len(right)
            if not ours or not right:
                continue
            offs.append((_off(ours[0].centres, made), _off(right[0][0], made)))
            read, usable = read_ours(made.codes, ours[0])
            other = scenes.decode(right[0][1] / 255)
            labs = [lab_of(each) for each in (read, other, read_true(made))]
            apart += delta_e_00(labs[0], labs[1])[usable].tolist()
            missed += np.stack([delta_e_00(each, labs[2]) for each in labs[:2]], 1)[usable].tolist()
        if not offs:
            of = [f"{each} of {number}" for each in found[:2]]
            places.add_row(case, *of, str(found[2]), "0", "-", "-", "-", "-")
            continue
        places.add_row(
            case, *(f"{each} of {number}" for each in found[:2]), str(found[2]), str(len(offs)),
            *(f"{each:.3f}" for each in (*np.median(offs, axis=0), *np.max(offs, axis=0))),
        )  # fmt: skip
        colours.add_row(
            case, str(len(apart)),
            *(f"{each:.2f}" for each in (np.median(apart), np.percentile(apart, 95), max(apart))),
            *(f"{each:.2f}" for each in np.median(missed, axis=0)),
            *(f"{each:.2f}" for each in np.percentile(missed, 95, axis=0)),
        )  # fmt: skip
    return [places, colours]


def find_by_opencv(codes: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return charts as opencv-contrib sees them: middles of patches, and their mean codes."""
    import cv2

    detector = cv2.mcc.CCheckerDetector_create()
    detector.setColorChartType(cv2.mcc.MCC24)
    if not detector.process(np.ascontiguousarray(codes[..., ::-1]), 3):
        return []
    found = []
    for each in detector.getListColorChecker():
        corners = np.asarray(each.getColorCharts(), float).reshape(24, 4, 2)
        means = np.asarray(each.getChartsRGB(), float).reshape(24, 3, -1)[..., 1]
        found.append((corners.mean(axis=1), means))
    return found


def read_ours(codes: np.ndarray, chart: Chart) -> tuple[np.ndarray, np.ndarray]:
    """Return linear sRGB of the patches, shape (24, 3), and which of them can be used."""
    planes = np.ascontiguousarray(codes.transpose(2, 0, 1)).astype(np.uint16) * np.uint16(257)
    read = read_patches(planes, lambda each: LIGHT[each // 257], chart)
    return read.light, read.usable


def read_true(made: scenes.Scene) -> np.ndarray:
    """Return linear sRGB at the patches' true middles, shape (24, 3)."""
    half = max(1, int(made.pitch_px * 0.12))
    pieces = [
        LIGHT[made.codes[max(0, y - half) : y + half + 1, max(0, x - half) : x + half + 1]]
        for x, y in np.rint(made.centres).astype(int).tolist()
    ]
    return np.array([piece.mean(axis=(0, 1)) for piece in pieces])


def lab_of(light: np.ndarray) -> np.ndarray:
    """Return L*a*b* of linear sRGB, shape (n, 3)."""
    return np.asarray(xyz_to_lab(light @ TO_XYZ.T))


def _off(centres: np.ndarray, made: scenes.Scene) -> float:
    return float(np.linalg.norm(centres - made.centres, axis=1).max() / made.pitch_px)


def _is_right(centres: np.ndarray, made: scenes.Scene) -> bool:
    return _off(centres, made) < 0.3


def look(planes: np.ndarray) -> tuple[int, float]:
    """Return how many charts are seen, and the processor time it took."""
    before = time.process_time()
    found = len(find_charts(planes))
    return found, time.process_time() - before


def read_photograph(path: Path) -> list[np.ndarray]:
    """Return a photograph as it is searched, and two crops of it."""
    from PIL import Image

    with Image.open(path) as opened:
        opened.draft("RGB", (LONG_EDGE_PX, LONG_EDGE_PX))
        image = opened.convert("RGB")
    image.thumbnail((LONG_EDGE_PX, LONG_EDGE_PX))
    whole = np.asarray(image)
    height, width = whole.shape[:2]
    corners = [(0, 0), (height // 2, width // 2)]
    crops = [whole[top : top + height // 2, left : left + width // 2] for top, left in corners]
    return [whole, *(np.ascontiguousarray(each) for each in crops)]


def time_large(number: int) -> Table:
    """Take the processor time of the stage on pictures of 24 MP."""
    from hotfolder.testing import make_spec, make_stage, run_stage
    from hotfolder_stages.reference import Reference

    table = Table("24 MP, the whole stage", "processor s", "charts", "most memory so far, MiB")
    for case in ("turned", "small", "none")[: max(1, number + 1)]:
        made = scenes.scene(FIRST_SEED, "turned" if case == "none" else case, 3000)
        codes = made.codes if case != "none" else made.codes[::-1, :, ::-1]
        pixels = np.repeat(np.repeat(codes.astype(np.uint16) * np.uint16(257), 2, 0), 2, 1)
        pixels = np.ascontiguousarray(pixels[:4000, :6000])
        before = time.process_time()
        found = run_stage(make_stage(Reference, {}), pixels, make_spec(pixels), rows=256).findings
        spent = time.process_time() - before
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        name = {"none": "its colours exchanged: no chart"}.get(case, f"a chart, {case}")
        table.add_row(name, f"{spent:.2f}", str(len(found["charts"])), f"{most:.0f}")
    return table


if __name__ == "__main__":
    main()
