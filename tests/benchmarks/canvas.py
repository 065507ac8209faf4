"""What half a gigapixel costs beside a tenth of it: ``python tests/benchmarks/canvas.py``.

A 60 MP original becomes a canvas of its own size, and one of 90 × 60 inches at 300 ppi: 486 MP, 16
bits, with every stage that a canvas has, compressed by deflate. Each runs in a process of its own;
a row gives wall time, time per megapixel of the result, and peak memory. The two should be alike
in the last two.

Needs some 4 GB of room in the folder for temporary files (``--folder`` for another).
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import chain
from measured import add_write_option, show
from rich.table import Table

SIZES_IN = {"60 MP": 31.6, "486 MP": 90.0, "486 MP, detail": 90.0}


def destination(long_edge_in: float, rendering: str = "intent") -> dict[str, Any]:
    """A canvas with all that the one of a new root has."""
    return {
        "stages": [
            "preflight",
            "sizing",
            "gamut-check",
            "output-sharpening",
            "proof-sheet",
            "profile-conversion",
            "tagging",
        ],
        "medium": {"profile": "matte-canvas.icc", "surface": "canvas", "viewing_distance": "2 m"},
        "result": {"format": "tiff", "bits": 16, "compression": "deflate"},
        "stage": {
            "sizing": {"long_edge": f"{long_edge_in} in", "ppi": 300},
            "profile-conversion": {"rendering": rendering},
        },
    }


def run_one(name: str, folder: Path) -> None:
    """Do one canvas in this process; say time and memory."""
    import hotfolder.work.preload
    import hotfolder.work.worker  # noqa: F401 - both are what the forkserver has loaded
    from hotfolder.settings.files import check_destination
    from hotfolder.settings.tables import Intake
    from hotfolder.stages.registry import load_registry
    from hotfolder.work.order import Order
    from hotfolder.work.pipeline import run

    registry = load_registry()
    path = folder / "destinations" / "canvas.toml"
    rendering = "detail" if "detail" in name else "intent"
    checked = check_destination(path, destination(SIZES_IN[name], rendering), registry, Intake())
    out = folder / "out"
    out.mkdir(exist_ok=True)
    original = folder / "original.tif"
    order = Order("bench", original, original.name, "0" * 64, 1, out, folder / "profiles")
    started = time.perf_counter()
    outcome = run(order, checked, registry, lambda _doing, _share: None)
    elapsed = time.perf_counter() - started
    (result,) = outcome.work.results
    said = {
        "work_s": elapsed,
        "megapixels": result.width_px * result.height_px / 1e6,
        "peak_mib": chain.peak_mib(),
        "spent": {each.stage: each.elapsed_s for each in outcome.work.stages},
    }
    print(json.dumps(said))


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--run", choices=SIZES_IN)
    parser.add_argument("--folder", type=Path)
    add_write_option(parser)
    asked = parser.parse_args()
    if asked.run:
        run_one(asked.run, asked.folder)
        return
    table = Table("canvas", "pixels", "seconds", "s / MP", "peak MiB", "stages, s")
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        chain.prepare(Path(name), 60.0)
        for size in SIZES_IN:
            command = [sys.executable, "-W", "ignore", __file__, "--run", size, "--folder", name]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            said = json.loads(done.stdout.splitlines()[-1])
            table.add_row(
                size,
                f"{said['megapixels']:.0f} MP",
                f"{said['work_s']:.1f}",
                f"{said['work_s'] / said['megapixels']:.3f}",
                f"{said['peak_mib']:.0f}",
                ", ".join(f"{stage} {spent:.0f}" for stage, spent in said["spent"].items()),
            )
    show([table], write=asked.write)


if __name__ == "__main__":
    main()
