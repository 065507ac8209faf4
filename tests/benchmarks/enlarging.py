"""How close an enlargement comes to the photograph that was reduced.

::

    .venv/bin/python tests/benchmarks/enlarging.py FOLDER ... [--crop 640] [--factors 2 4]

Of every JPEG, PNG and TIFF in the folders the crop with most detail is the truth. It is reduced in
linear light, in two ways: by our own kernel, and as a camera does it, by a lens (a Gaussian of 0.4
of the small pixels) and square pixels. What is enlarged again is compared with the truth:

========  ==========================================================================
PSNR      dB, of the encoded values
SSIM      mean, of the luma (Wang, Bovik, Sheikh and Simoncelli, IEEE Trans. Image
          Process. 13, 600 (2004), DOI 10.1109/TIP.2003.819861; Gaussian of 1.5 px)
light     mean linear light, less that of the truth, in percent of it
time      of one core, per megapixel of the result
MTF50     cycles per pixel of the original, on a slanted edge (ISO 12233)
========  ==========================================================================

Each once by Lanczos alone, and once by the stage.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from rich.console import Console
from rich.table import Table
from scipy import ndimage
from scipy.special import ndtr

sys.path.insert(0, str(Path(__file__).parents[1]))

from hotfolder.colour.tone import tone_of
from hotfolder.testing import cut, make_job, make_spec, make_stage, srgb
from hotfolder_stages.sizing import Sizing
from reference.edges import mtf_of_slanted_edge

Codes = NDArray[np.uint16]

_LIGHT = tone_of(srgb()).curves[0]
_LUMA = np.array([0.2126, 0.7152, 0.0722])
_MARGIN = 8
_CONTESTANTS = ("Lanczos alone", "stage")


def photographs(folders: list[Path], crop: int) -> dict[str, Codes]:
    """The crop with most detail of each picture that is large enough."""
    paths = [each for folder in folders for each in sorted(folder.iterdir())]
    made = {}
    for path in paths:
        if path.suffix.lower() not in {".jpg", ".jpeg", ".png", ".tif", ".tiff"}:
            continue
        with Image.open(path) as opened:
            image = opened.convert("RGB")
        while max(image.size) > 3600:
            image = image.reduce(2)
        pixels = np.asarray(image)
        if min(pixels.shape[:2]) < crop:
            continue
        step = crop // 2
        places = [
            (np.abs(np.diff(pixels[top : top + crop, left : left + crop, 1].astype(int))).mean(),
             top, left)
            for top in range(0, pixels.shape[0] - crop + 1, step)
            for left in range(0, pixels.shape[1] - crop + 1, step)
        ]  # fmt: skip
        _, top, left = max(places)
        made[path.stem] = pixels[top : top + crop, left : left + crop].astype(np.uint16) * 257
    return made


def resized(pixels: Codes, width: int, height: int, *, alone: bool) -> tuple[Codes, float]:
    """Pixels by the stage, and the seconds of one core that it took."""
    stage = make_stage(Sizing, {"width": f"{width} px", "height": f"{height} px"})
    spec = make_spec(pixels)
    stage.open(spec, make_job(spec))
    if alone:
        stage._work = replace(stage._work, enlarges=False)  # what the stage did before
    started = time.process_time()
    out = np.concatenate([band.pixels for band in stage.bands(cut(pixels, 256))])
    return out, time.process_time() - started


def by_camera(truth: Codes, factor: int) -> Codes:
    """A photograph through a lens, on pixels that are as large as some of its own."""
    light = _LIGHT.decode(truth)
    light = ndimage.gaussian_filter(light, (0.4 * factor, 0.4 * factor, 0))
    height, width = (each // factor for each in truth.shape[:2])
    return _LIGHT.encode(light.reshape(height, factor, width, factor, 3).mean((1, 3)))


def ssim(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Mean structural similarity of planes of 0 … 1."""

    def mean(plane: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(ndimage.gaussian_filter(plane, 1.5, truncate=3.5))

    a, b = mean(one), mean(other)
    spread = mean(one**2) - a**2, mean(other**2) - b**2
    together = mean(one * other) - a * b
    first, second = 0.01**2, 0.03**2
    index = (2 * a * b + first) * (2 * together + second)
    index /= (a**2 + b**2 + first) * (spread[0] + spread[1] + second)
    return float(index.mean())


def compare(made: Codes, truth: Codes) -> dict[str, float]:
    """Measures of a result beside the truth."""
    inside = np.s_[_MARGIN:-_MARGIN, _MARGIN:-_MARGIN]
    one, other = made[inside] / 65535, truth[inside] / 65535
    light = _LIGHT.decode(made[inside]).mean() / _LIGHT.decode(truth[inside]).mean()
    return {
        "psnr": float(-10 * np.log10(np.mean((one - other) ** 2))),
        "ssim": ssim(one @ _LUMA, other @ _LUMA),
        "light": float(100 * (light - 1)),
    }


def mtf50(factor: int, *, alone: bool) -> float:
    """Of an edge at 5 degrees, through a lens, on square pixels."""
    rows, columns = np.mgrid[:1440, :1440] / 12 - (59.5 + 11 / 24)
    distance = columns * np.cos(np.radians(5)) + rows * np.sin(np.radians(5))
    share = ndtr(distance / 0.4).reshape(120, 12, 120, 12).mean((1, 3))
    small = np.repeat(np.rint(20000 + 30000 * share).astype(np.uint16)[..., None], 3, 2)
    out, _ = resized(small, 120 * factor, 120 * factor, alone=alone)
    frequencies = np.linspace(0.05, 1, 1901)
    transfer = mtf_of_slanted_edge(out[..., 0].astype(float), 5)(frequencies / factor)
    return float(frequencies[np.argmax(transfer < 0.5)])


def measure(truths: dict[str, Codes], factor: int, way: str) -> dict[str, dict[str, Any]]:
    """All measures of all photographs, by contestant."""
    made: dict[str, dict[str, Any]] = {each: {} for each in _CONTESTANTS}
    for name, whole in truths.items():
        side = len(whole) // factor * factor
        truth = whole[:side, :side]
        if way == "camera":
            small = by_camera(truth, factor)
        else:
            small, _ = resized(truth, side // factor, side // factor, alone=False)
        for contestant in _CONTESTANTS:
            alone = contestant == "Lanczos alone"
            runs = [resized(small, side, side, alone=alone) for _ in range(3)]
            found = compare(runs[0][0], truth)
            found["ms"] = min(each for _, each in runs) * 1e9 / side**2
            made[contestant][name] = found
    return made


def main() -> None:
    """Measure, and print a row for each photograph."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--crop", type=int, default=640)
    parser.add_argument("--factors", type=int, nargs="+", default=[2, 4])
    asked = parser.parse_args()
    Image.MAX_IMAGE_PIXELS = None
    truths = photographs(asked.folders, asked.crop)
    console = Console(width=150)
    for factor in asked.factors:
        for way in ("our kernel", "camera"):
            found = measure(truths, factor, way)
            before, after = (found[each] for each in _CONTESTANTS)
            table = Table(
                "photograph", "PSNR", "SSIM", "light, %", "ms/MP", title=f"{factor}:1, {way}"
            )
            for name in truths:
                table.add_row(name, *_row([before[name]], [after[name]]))
            table.add_section()
            table.add_row("mean", *_row(list(before.values()), list(after.values())))
            console.print(table)
        edges = [mtf50(factor, alone=alone) for alone in (True, False)]
        console.print(f"{factor}:1 MTF50 {edges[0]:.3f} -> {edges[1]:.3f} cycles per pixel")


def _row(before: list[dict[str, float]], after: list[dict[str, float]]) -> list[str]:
    digits = {"psnr": 2, "ssim": 4, "light": 3, "ms": 1}
    cells = []
    for key, count in digits.items():
        one, other = (statistics.mean(each[key] for each in some) for some in (before, after))
        cells.append(f"{one:.{count}f} -> {other:.{count}f} ({other - one:+.{count}f})")
    return cells


if __name__ == "__main__":
    main()
