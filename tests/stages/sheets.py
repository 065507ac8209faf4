"""Sheets for tests of the stage proof-sheet: what they are made of, and pages made of pictures."""

import base64
import io
import re

import numpy as np
from PIL import Image

from hotfolder import (
    Encoding,
    Medium,
    RasterSpec,
)
from hotfolder.colour.worst_places import WorstPlaces
from hotfolder.testing import cut, make_job, make_stage, run_stage
from hotfolder_stages.profile_conversion import ProfileConversion
from hotfolder_stages.proof_sheet import ProofSheet
from reference.devices import SRGB, WIDE_RGB, demo_printer
from stages.driving import job_of, spec_of

CANVAS = demo_printer("matte-canvas", "4.4")
BOOK = demo_printer("coated-book", "2.4")
NOTHING = np.zeros((1, 1, 2), np.uint16)


def conversion(**values):
    return make_stage(ProfileConversion, values)


def made(pixels, folder, spec=None, destination=CANVAS, beside=None, rows=40, alpha=None, **more):
    """Run the stage; page, findings, and what came out. beside: other stages."""
    spec = spec or spec_of(pixels, WIDE_RGB)
    beside = [conversion()] if beside is None else beside
    job = job_of(spec, profile=destination, folder=folder, beside=beside, **more)
    out, _, findings, _ = run_stage(make_stage(ProofSheet, {}), pixels, spec, job, rows, alpha)
    return (folder / "sheet.html").read_text("utf-8"), findings, out


def picture(height=300, width=400):
    """Grey, with a patch of the most saturated green at the lower right."""
    pixels = np.full((height, width, 3), 30000, np.uint16)
    pixels[height // 2 :, width // 2 :] = (0, 65535, 0)
    return pixels


def embedded(page, alt):
    """The picture with an alternative text, as Pillow decodes it."""
    tag = next(t for t in re.findall(r"<img[^>]*>", page) if re.search(alt, t))
    return Image.open(io.BytesIO(base64.b64decode(re.search(r"base64,([^\"]+)", tag)[1])))


def collected(pixels, profile=SRGB, look_up=None, rows=None):
    spec = spec_of(pixels, profile)
    nothing = lambda codes: np.broadcast_to(NOTHING, (*codes.shape[:2], 2))  # noqa: E731
    collector = WorstPlaces(profile, (spec.width_px, spec.height_px), look_up or nothing, 3.0)
    for band in cut(pixels, rows or collector.rows):
        collector.add(band.top, band.pixels)
    return collector


def unmoved(codes):
    return np.broadcast_to(NOTHING, (*codes.shape[:2], 2))


def medium(**more):
    given = {"profile": "p.icc", "surface": "canvas", "viewing_distance": "2 m"}
    return Medium.model_validate(given | more)


def asked(**more):
    return make_job(SPEC, viewing_distance="2 m", **more)


SPEC = RasterSpec(2400, 1600, Encoding.RGB, ppi=101.6)  # 600 × 400 mm
