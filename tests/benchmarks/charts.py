"""How many 24-patch charts are found, how well they are read, and what looking costs.

::

    .venv/bin/python tests/benchmarks/charts.py                       # 20 scenes of each kind
    .venv/bin/python tests/benchmarks/charts.py --scenes 5 --photographs FOLDER

Scenes are drawn from spectra under six lights through two cameras, see `stages.chart_scenes`;
decoys only look like a chart. FOLDER: photographs without one, as those of the Debian packages
gnome-backgrounds, lomiri-wallpapers and mate-backgrounds, which are not part of this project; each
is looked at whole and in two crops. Times are of the processor, not of the clock.
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

from hotfolder_stages.reference.finder import find_charts

# in place of this folder, whose colour.py would be taken for colour-science
sys.path[0] = str(Path(__file__).parents[1])

from stages import chart_decoys as decoys  # noqa: E402 - tests are no package
from stages import chart_scenes as scenes  # noqa: E402

LIGHT = scenes.decode(np.arange(256) / 255).astype(np.float32)
FIRST_SEED = 7000
"""Seeds of the tests are below."""

SUFFIXES = {".jpg", ".png"}
LONG_EDGE_PX = 3072


def main() -> None:
    """Measure and show."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--scenes", type=int, default=20, help="of each kind")
    parser.add_argument("--photographs", type=Path, help="a folder of photographs without charts")
    parser.add_argument("--large", type=int, default=2, help="pictures of 24 MP to time")
    add_write_option(parser)
    chosen = parser.parse_args()
    tables = [count_found(chosen.scenes), count_false(chosen.scenes, chosen.photographs)]
    if chosen.large:
        tables.append(time_large(chosen.large))
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
