"""A shoot: six frames on deck at evening, three with a 24-patch chart and three without.

The frames without one get what the chart says, as the same camera took them within minutes of it;
one was exposed by a stop less, and its file says so.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import ExifTags, Image, TiffImagePlugin

from hotfolder_demo.evening import EXPOSURE, View, evening
from hotfolder_demo.scenes import jpeg_bytes

NAME = "evening-shoot"
"""Of the destination."""

DESTINATION = """\
# A shoot: frames for a screen, true to the light in which they were taken.

title = "A shoot at evening, for a screen"
keep_sheets = "all"

stages = [
  "reference",            # a 24-patch chart in a frame: what does it say, and for which others?
  "preflight",
  "sizing",
  "output-sharpening",
  "proof-sheet",
  "profile-conversion",
  "tagging",
]

[medium]
profile = "srgb.icc"
surface = "screen"
viewing_distance = "50 cm"

[result]
format = "jpeg"
bits = 8
quality = 90
subsampling = "4:4:4"

[stage.reference]
correct = "keep the light"            # exposure and the camera's errors; the evening stays warm
chart_values = "cca2014"              # what this chart's patches are
wait_for_reference = "5 min"          # frames without a chart wait for one with it

[stage.sizing]
long_edge = "900 px"

[stage.profile-conversion]
intent = "relative colorimetric"
"""
"""Its settings."""

_SEED = 20261128
_BEGUN = datetime(2026, 1, 1, 17, 40)  # noqa: DTZ001 - a camera's clock knows no zone
_MILLISECONDS = {0: 20, 1: 10}
"""Exposure time, by stops less."""


@dataclass(frozen=True)
class Frame:
    """One of the shoot's."""

    name: str
    view: View
    minute: int
    """After it began."""
    stops_less: int = 0


_LEANING = ((-0.19, 0.640), (0.27, 0.655), (0.265, 0.965), (-0.20, 0.970))
_TURNED = ((-0.16, 0.635), (0.22, 0.675), (0.215, 0.955), (-0.17, 0.985))
_HIGHER = ((0.02, 0.435), (0.335, 0.425), (0.340, 0.667), (0.015, 0.666))

FRAMES = (
    Frame("deck 1, chart.jpg", View(chart=_LEANING), 0),
    Frame("deck 2.jpg", View((0.02, 0.50), 1.05), 1),
    Frame("deck 3, nearer, chart.jpg", View((0.02, 0.62), 1.3, 6, chart=_TURNED), 4),
    Frame("deck 4, nearer.jpg", View((-0.06, 0.60), 1.45, 4), 5),
    Frame("deck 5, chart on the crate.jpg", View((0.03, 0.48), 1.1, -3, chart=_HIGHER), 9),
    Frame("deck 6, darker.jpg", View((0.10, 0.46), 1.0, -2, exposure=EXPOSURE / 2), 10, 1),
)


def write_shoot(folder: Path, long_edge_px: int = 900) -> list[Path]:
    """Paint the frames and drop them into a hot folder.

    Returns
    -------
    list of Path
        Its files. The same in every run, byte for byte.
    """
    folder.mkdir(parents=True, exist_ok=True)
    size = (long_edge_px, round(long_edge_px * 2 / 3))

    def write(frame: Frame) -> Path:
        picture = evening(*size, np.random.default_rng(_SEED), frame.view)
        path = folder / frame.name
        path.write_bytes(jpeg_bytes(picture, _exif(frame, size)))
        return path

    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(write, FRAMES))


def _exif(frame: Frame, size: tuple[int, int]) -> Image.Exif:
    """What a camera says of a frame (CIPA DC-008)."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Model] = "Invented", "Estuary 1"
    details = exif.get_ifd(ExifTags.IFD.Exif)
    taken = _BEGUN + timedelta(minutes=frame.minute)
    details[ExifTags.Base.DateTimeOriginal] = taken.strftime("%Y:%m:%d %H:%M:%S")
    milliseconds = _MILLISECONDS[frame.stops_less]
    details[ExifTags.Base.ExposureTime] = TiffImagePlugin.IFDRational(milliseconds, 1000)
    details[ExifTags.Base.FNumber] = TiffImagePlugin.IFDRational(8, 1)
    details[ExifTags.Base.ISOSpeedRatings] = 200
    details[ExifTags.Base.WhiteBalance] = 1  # set by hand: for daylight, the evening stays warm
    details[ExifTags.Base.ColorSpace] = 1
    details[ExifTags.Base.ExifImageWidth], details[ExifTags.Base.ExifImageHeight] = size
    return exif
