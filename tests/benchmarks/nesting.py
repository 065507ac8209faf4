"""Nests: how much longer than the area of their pictures, over random sets; time and memory.

::

    .venv/bin/python tests/benchmarks/nesting.py               # 25 sets of each kind, minutes
    .venv/bin/python tests/benchmarks/nesting.py --sheet 6     # six pictures of 100 megapixels
"""

from __future__ import annotations

import argparse
import random
import resource
import statistics
import tempfile
from pathlib import Path

import numpy as np
from measured import add_write_option, show
from rich.table import Table

from hotfolder.model.destination import Medium, Result
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Band, RasterSpec, rows_per_band
from hotfolder.raster.writing import open_result
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.settings.tables import DestinationFile, Intake
from hotfolder.testing import srgb
from hotfolder.work.nest import lay_pieces, read_pieces
from hotfolder.work.nest_book import write_nest
from hotfolder.work.packing import pack_strip

SHAPES = (1, 5 / 4, 4 / 3, 3 / 2, 16 / 9)
"""Of photographs."""
KINDS = ((150, 450, 1118), (200, 600, 1118), (200, 900, 1118), (300, 1000, 1524))
"""Long sides of the pictures, from and to, and the roll's width, in mm."""
GAP_MM, EDGE_MM = 6, 5


def draw_set(seed: int, low: float, high: float, count: int = 30) -> list[tuple[int, int]]:
    """Draw pictures with their gaps, in mm."""
    chance, found = random.Random(seed), []
    for _ in range(count):
        long = chance.uniform(low, high)
        sides = [round(long) + GAP_MM, round(long / chance.choice(SHAPES)) + GAP_MM]
        chance.shuffle(sides)
        found.append((sides[0], sides[1]))
    return found


def measure_sets(sets: int) -> Table:
    """Measure how far layouts are from the bound of their area."""
    table = Table("long sides, mm", "roll, mm", "median", "nine in ten", "most", "s of processor",
                  title=f"above the area bound, {sets} sets of 30 pictures each")  # fmt: skip
    for low, high, width in KINDS:
        over, began = [], resource.getrusage(resource.RUSAGE_SELF).ru_utime
        for seed in range(sets):
            sizes = draw_set(seed, low, high)
            room = width - 2 * EDGE_MM + GAP_MM
            bound = sum(across * along for across, along in sizes) / room
            over.append(pack_strip(sizes, room).length / bound - 1)
        over.sort()
        spent = resource.getrusage(resource.RUSAGE_SELF).ru_utime - began
        table.add_row(
            f"{low} to {high}", f"{width}", f"{statistics.median(over):.1%}",
            f"{over[9 * sets // 10]:.1%}", f"{over[-1]:.1%}", f"{spent / sets:.1f}",
        )  # fmt: skip
    return table


def measure_sheet(count: int) -> Table:
    """Write a sheet of large pictures."""
    medium = Medium.model_validate(
        {"profile": "x.icc", "surface": "canvas", "viewing_distance": "1 m"}
    )
    file = DestinationFile(stages=("tagging",), medium=medium)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for number in range(count):
            sides = [12_000, 8_400 - 200 * number]
            if number % 2:  # stands, and is turned on the roll
                sides.reverse()
            spec = RasterSpec(sides[0], sides[1], Encoding.RGB, srgb(), ppi=300.0)
            _write_picture(folder / f"{number}.tif", spec)
        nest = lay_pieces(read_pieces(sorted(folder.glob("*.tif"))), 1118, GAP_MM, EDGE_MM)
        (folder / "scratch").mkdir()
        began = resource.getrusage(resource.RUSAGE_SELF)
        destination = Destination("wall", file, {}, {}, srgb(), Intake())
        write_nest(Root(folder), destination, nest, [None] * count, "tiff", folder / "scratch",
                   lambda *_: None)  # fmt: skip
        ended = resource.getrusage(resource.RUSAGE_SELF)
    table = Table("pictures", "turned", "sheet, megapixels", "s of processor", "most memory, MiB")
    table.add_row(
        f"{count}", f"{sum(each.is_turned for each in nest.laid)}",
        f"{nest.width_px * nest.length_px / 1e6:.0f}",
        f"{ended.ru_utime + ended.ru_stime - began.ru_utime - began.ru_stime:.0f}",
        f"{ended.ru_maxrss / 1024:.0f}",
    )  # fmt: skip
    return table


def _write_picture(path: Path, spec: RasterSpec) -> None:
    """Write a smooth picture; its values do not matter."""
    at_once = rows_per_band(spec.width_px)
    across = np.linspace(0, 60_000, spec.width_px, dtype=np.float32)

    def bands():
        for top in range(0, spec.height_px, at_once):
            rows = np.arange(top, min(top + at_once, spec.height_px), dtype=np.float32)
            plane = (across[None] + rows[:, None] * 0.5).astype(np.uint16)
            yield Band(top, np.ascontiguousarray(np.repeat(plane[..., None], 3, axis=2)))

    with open_result(path, spec, Result(compression="none")) as writer:
        writer.write(bands())


def main() -> None:
    """Measure, and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=25)
    parser.add_argument("--sheet", type=int, default=0, metavar="PICTURES")
    add_write_option(parser)
    asked = parser.parse_args()
    made = measure_sheet(asked.sheet) if asked.sheet else measure_sets(asked.sets)
    show([made], write=asked.write)


if __name__ == "__main__":
    main()
