"""One original through a destination's whole chain, in this process."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

import iccdev
import numpy as np
import tifffile

from hotfolder.colour.profile import Profile
from hotfolder.settings.files import check_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.work.order import Order
from hotfolder.work.pipeline import Outcome, run

STAGES = ("preflight", "neutral-check", "profile-conversion", "ink-check", "tagging")
REGISTRY = load_registry()


def deliver(
    original: Path,
    profile: Profile,
    folder: Path,
    stages: Sequence[str] = STAGES,
    **settings: Mapping[str, Any],
) -> tuple[Outcome, np.ndarray | None]:
    """Run the chain; how it ended, and the delivered 16-bit pixels as tifffile reads them.

    settings: of stages, by name with underscores.
    """
    profiles = folder / "root" / "profiles"
    attempt = folder / "root" / "attempt"
    for each in (profiles, attempt, folder / "root" / "destinations"):
        each.mkdir(parents=True, exist_ok=True)
    (profiles / "medium.icc").write_bytes(profile.data)
    raw = {
        "stages": list(stages),
        "medium": {"profile": "medium.icc", "surface": "lustre", "viewing_distance": "1 m"},
        "result": {"format": "tiff", "bits": 16, "compression": "none"},
        "stage": {name.replace("_", "-"): dict(values) for name, values in settings.items()},
    }
    path = folder / "root" / "destinations" / "wall.toml"
    destination = check_destination(path, raw, REGISTRY, Intake())
    data = original.read_bytes()
    order = Order(
        job="job-1",
        original=original,
        name=original.name,
        sha256=sha256(data).hexdigest(),
        bytes=len(data),
        folder=attempt,
        profiles=profiles,
    )
    outcome = run(order, destination, REGISTRY, lambda *_: None)
    result = attempt / "result.tif"
    return outcome, tifffile.imread(result) if outcome.work.results else None


def lab_by_iccdev(profile: Profile, pixels: np.ndarray, folder: Path) -> np.ndarray:
    """L*, a*, b* of device codes, shape (..., channels), relative to the medium's white.

    By iccdev, the ICC's reference implementation.
    """
    path = folder / f"{profile.sha256[:16]}.icc"
    path.write_bytes(profile.data)
    cmm = iccdev.IccCmm()
    cmm.attach(path, intent=iccdev.Intent(1), interp=iccdev.Interpolation.Tetrahedral)
    cmm.begin()
    shape = pixels.shape[:-1]
    values = (pixels.reshape(-1, pixels.shape[-1]) / 65535).astype(np.float32)
    out = np.asarray(cmm.apply_ndarray(values), dtype=np.float64).reshape(*shape, 3)
    if profile.pcs == "Lab ":
        return out * [100, 255, 255] - [0, 128, 128]
    xyz = out * (1 + 32767 / 32768)
    ratio = xyz / [0.9642, 1.0, 0.8249]
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)
