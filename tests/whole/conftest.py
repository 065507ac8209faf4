"""Driving the whole program: drop files into a root, sweep it, look at what came out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from commands import Finished, run_apart, run_here
from hotfolder.settings.root import Root


@pytest.fixture
def hotfolder(request: pytest.FixtureRequest):
    """Run the command line; returns the finished process.

    It runs in a process of its own where a test asks for what only that has, and everywhere with
    `--every-act`.
    """

    def run(*arguments: object, **options: Any) -> Finished:
        if options.keys() <= {"cwd"} and not request.config.getoption("--every-act"):
            return run_here(*arguments, **options)
        return run_apart(*arguments, **options)

    return run


@pytest.fixture
def small(root: Root) -> Root:
    """A root whose one destination makes small files fast: TIFF, 8 cm at 100 ppi."""
    for file in root.destinations.glob("*.toml"):
        if file.stem != "fine-art-canvas":
            file.unlink()
    write_destination(root)
    return root


def write_destination(root: Root, *, name: str = "fine-art-canvas", **replace: str) -> Path:
    text = """
title = "Fine-art canvas"
stages = ["preflight", "sizing", "output-sharpening", "profile-conversion", "tagging"]
[medium]
profile = "matte-canvas.icc"
surface = "canvas"
viewing_distance = "2 m"
[result]
format = "tiff"
name = "{file}"
[stage.sizing]
long_edge = "8 cm"
ppi = 100
"""
    for old, new in replace.items():
        text = text.replace(*new) if isinstance(new, tuple) else text.replace(old, new)
    path = root.destinations / f"{name}.toml"
    path.write_text(text)
    return path


def picture(profile: bytes | None, size: int = 96, seed: int = 1) -> np.ndarray:
    """A smooth 16-bit RGB picture, different for every seed."""
    y, x = np.mgrid[0:size, 0 : size * 3 // 2] / size
    phase = seed * 0.37
    planes = [np.sin(3 * x + phase) * np.cos(2 * y), np.cos(4 * y + phase), np.sin(5 * (x + y))]
    return np.uint16(12000 + 40000 * (np.stack(planes, axis=-1) * 0.5 + 0.5))


def drop(root: Root, relative: str, *, profile: bool = True, seed: int = 1, size: int = 96) -> Path:
    """Write a picture into the hot folder of the canvas."""
    path = root.path / "in" / "fine-art-canvas" / relative
    path.parent.mkdir(parents=True, exist_ok=True)
    icc = (root.profiles / "srgb.icc").read_bytes() if profile else None
    tifffile.imwrite(
        path,
        picture(icc, size, seed),
        photometric="rgb",
        iccprofile=icc,
        metadata=None,
        resolution=(300, 300),
        resolutionunit="INCH",
    )
    return path


def drop_with_sidecar(root: Root, relative: str, **how: Any) -> Path:
    """Write a picture into the hot folder of the canvas, and before it the sidecar it goes with."""
    path = root.path / "in" / "fine-art-canvas" / f"{relative}.xmp"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f"<x>{relative}</x>")
    return drop(root, relative, **how)


def records(root: Root, name: str = "fine-art-canvas") -> list[dict[str, Any]]:
    log = root.path / "out" / name / "log.jsonl"
    if not log.exists():
        return []
    return [located(root, json.loads(line)) for line in log.read_text().splitlines()]


def located(root: Root, record: dict[str, Any]) -> dict[str, Any]:
    """A record of a log with its paths absolute: in the log they are below the root."""

    def find(path: str) -> str:
        return str(root.path / path)

    record["original_kept"] = find(record["original_kept"])
    for each in (*record["results"], *record["attachments"]):
        each["path"] = find(each["path"])
    if record.get("placement"):
        record["placement"]["kept"] = find(record["placement"]["kept"])
    return record


def files(folder: Path) -> list[str]:
    """Every file below a folder, relative; our own marker, log and pages are left out."""
    return sorted(
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if path.is_file()
        and not path.name.startswith(".")
        and path.name not in {"log.jsonl", "index.html"}
    )
