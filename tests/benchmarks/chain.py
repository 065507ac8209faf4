"""How long a job's whole chain takes, against libvips and against the floor of the machine.

::

    .venv/bin/python tests/benchmarks/chain.py            # 24 MP, three rounds
    .venv/bin/python tests/benchmarks/chain.py --megapixels 6 --rounds 1
    .venv/bin/python tests/benchmarks/chain.py --photographs PHOTOGRAPH …
    .venv/bin/python tests/benchmarks/chain.py --renderings PHOTOGRAPH …

With ``--photographs`` each is measured at its own size and with noise as of a camera, and ours has
the points that the other photographs of the same destination left behind: what a day is like from
the second picture on. A row gives medians over photographs and rounds of what ran beside each
other.

With ``--renderings`` our own renderings are compared instead, in three states of what is kept in
`.hotfolder/points`: cold, after the other photographs of the same destination (next), and after all
of them (again). A row gives the median of the ratios to relative colorimetric in the same state,
photograph and round: of time, and of processor time, which other work disturbs less.

Every run is a process of its own; the contestants take turns, so that a machine that slows down
slows all of them. A row gives medians of wall time, throughput in megapixels of the result (of
the original for the web), the ratio to ours, and peak memory. libvips does what it can of the
same work: it measures no gamut, and converts with LittleCMS's default grid. The floor reads the
raw pixels, converts them with one LittleCMS default-grid transform on all cores, and writes them.
"""

from __future__ import annotations

import argparse
import itertools
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from measured import add_write_option, show
from rich.table import Table

CASES = ("same size", "enlarged 2:1", "for the web")


def destination(case: str, long_edge_px: int) -> dict[str, Any]:
    """The destination's file of a case, for an original of this long edge."""
    sharpen: dict[str, Any] = {"output-sharpening": {}}
    if case == "for the web":
        return {
            "stages": ["sizing", "output-sharpening", "profile-conversion", "tagging"],
            "medium": {"profile": "srgb.icc", "surface": "screen", "viewing_distance": "60 cm"},
            "result": {"format": "jpeg", "quality": 90, "subsampling": "4:2:0"},
            "stage": {"sizing": {"long_edge": f"{long_edge_px // 2} px"}, **sharpen},
        }
    doubled = {"sizing": {"long_edge": f"{long_edge_px * 2} px", "ppi": 300}}
    size = doubled if case != "same size" else {}
    first = ["sizing"] if size else []
    return {
        "stages": [*first, "gamut-check", "output-sharpening", "profile-conversion", "tagging"],
        "medium": {"profile": "coated-book.icc", "surface": "lustre", "viewing_distance": "50 cm"},
        "result": {"format": "tiff", "bits": 16, "compression": "none"},
        "stage": {**size, **sharpen},
    }


def ours(case: str, folder: Path, rendering: str = "intent", points: Path | None = None) -> None:
    """Run the stages in this process, as a worker does."""
    from hotfolder.disk.kept_arrays import ArrayFolder
    from hotfolder.settings.files import check_destination
    from hotfolder.settings.tables import Intake
    from hotfolder.stages.registry import load_registry
    from hotfolder.work.order import Order
    from hotfolder.work.pipeline import run

    registry = load_registry()
    path = folder / "destinations" / "bench.toml"
    raw = destination(case, long_edge(folder))
    raw["stage"] = {**raw["stage"], "profile-conversion": {"rendering": rendering}}
    checked = check_destination(path, raw, registry, Intake())
    out = folder / "ours"
    out.mkdir(exist_ok=True)
    original = folder / "original.tif"
    kept = ArrayFolder(points, 500 * 2**20) if points else None
    order = Order(
        "bench", original, original.name, "0" * 64, 1, out, folder / "profiles", points=kept
    )
    outcome = run(order, checked, registry, lambda _doing, _share: None)
    spent = {each.stage: each.elapsed_s for each in outcome.work.stages}
    print(json.dumps({"verdict": outcome.verdict, "spent": spent}))


def long_edge(folder: Path) -> int:
    """Pixels of the original's long edge."""
    import tifffile

    with tifffile.TiffFile(folder / "original.tif") as file:
        return max(file.pages[0].shape[:2])


def libvips(case: str, folder: Path) -> None:
    """The same steps in libvips, streamed."""
    import pyvips

    image = pyvips.Image.new_from_file(str(folder / "original.tif"), access="sequential")
    if case == "for the web":
        # reduction in linear light: scRGB is linear
        image = image.colourspace("scrgb").resize(0.5, kernel="lanczos3").colourspace("rgb16")
        image = image.sharpen(sigma=0.6)
        image = image.icc_transform(
            str(folder / "profiles/srgb.icc"),
            embedded=True,
            intent="relative",
            depth=8,
            black_point_compensation=True,
        )
        image.write_to_file(str(folder / "vips.jpg"), Q=90)
        return
    if case != "same size":
        image = image.resize(2.0, kernel="lanczos3")
    image = image.sharpen(sigma=1.5)
    image = image.icc_transform(
        str(folder / "profiles/coated-book.icc"),
        embedded=True,
        intent="relative",
        depth=16,
        black_point_compensation=True,
    )
    image.write_to_file(str(folder / "vips.tif"))


def floor(case: str, folder: Path) -> None:
    """Raw read, one default-grid conversion on all cores, raw write of the same pixels."""
    import imagecodecs

    profiles = folder / "profiles"
    web = case == "for the web"
    source = (profiles / "srgb.icc").read_bytes()
    target = (profiles / ("srgb.icc" if web else "coated-book.icc")).read_bytes()
    pixels = np.fromfile(folder / "original.raw", np.uint16).reshape(-1, 3)
    if case == "enlarged 2:1":
        pixels = np.repeat(pixels, 4, axis=0)
    if web:
        pixels = pixels[::4]
    out = np.empty((len(pixels), 3 if web else 4), np.uint16)

    def convert(part: slice) -> None:
        out[part] = imagecodecs.cms_transform(
            pixels[part][np.newaxis],
            source,
            target,
            colorspace="rgb",
            outcolorspace="rgb" if web else "cmyk",
            intent=1,
            flags=0x2000,
        )[0]

    cores = os.cpu_count() or 1
    edges = np.linspace(0, len(pixels), cores + 1).astype(int)
    with ThreadPoolExecutor(cores) as pool:
        list(pool.map(convert, [slice(a, b) for a, b in itertools.pairwise(edges)]))
    out.tofile(folder / "floor.raw")


CONTESTANTS: dict[str, Callable[[str, Path], None]] = {
    "ours": ours,
    "libvips": libvips,
    "floor": floor,
}
RENDERINGS = {"relative": "intent", "refined": "refined", "detail": "detail"}
STATES = ("cold", "next", "again")


def prepare(folder: Path, megapixels: float) -> tuple[int, int]:
    """Write the original: a demo scene enlarged, with grain, 16 bits, uncompressed, sRGB."""
    import tifffile
    from PIL import Image

    from hotfolder_demo import write_profiles, write_scenes

    (folder / "profiles").mkdir()
    (folder / "destinations").mkdir()
    write_profiles(folder / "profiles")
    scenes = write_scenes(folder / "scenes", long_edge_px=1200)
    path = next(
        each for each in scenes["web-gallery"] if each.suffix == ".tif" and "reeds" in each.name
    )
    small = tifffile.imread(path).astype(np.float32)
    width = round((megapixels * 1e6 * 1.5) ** 0.5)
    height = round(width / 1.5)
    planes = [
        np.asarray(Image.fromarray(small[..., c]).resize((width, height), Image.Resampling.BICUBIC))
        for c in range(3)
    ]
    grain = np.random.default_rng(1).normal(0, 200, (height, width, 1))
    pixels = np.clip(np.stack(planes, axis=-1) + grain, 0, 65535).astype(np.uint16)
    icc = (folder / "profiles/srgb.icc").read_bytes()
    tifffile.imwrite(
        folder / "original.tif",
        pixels,
        photometric="rgb",
        iccprofile=icc,
        metadata=None,
        resolution=(300, 300),
        resolutionunit="INCH",
        rowsperstrip=64,
    )
    pixels.tofile(folder / "original.raw")
    return width, height


def prepare_photographs(folder: Path, paths: list[Path]) -> dict[str, float]:
    """Write an original of each photograph into a folder of its name; return their megapixels."""
    import tifffile
    from PIL import Image

    from hotfolder_demo import write_profiles

    found = {}
    for number, path in enumerate(paths):
        place = folder / path.stem
        (place / "profiles").mkdir(parents=True)
        (place / "destinations").mkdir()
        write_profiles(place / "profiles")
        pixels = np.asarray(Image.open(path).convert("RGB")).astype(np.float32) * 257
        random = np.random.default_rng(number)
        # shot noise, and that of reading: 0.6 of a code of 8 bits in darks, 1.5 in lights
        pixels += random.standard_normal(pixels.shape, np.float32) * np.sqrt(2 * pixels + 2e4)
        codes = np.clip(np.rint(pixels), 0, 65535).astype(np.uint16)
        icc = (place / "profiles/srgb.icc").read_bytes()
        tifffile.imwrite(
            place / "original.tif",
            codes,
            photometric="rgb",
            iccprofile=icc,
            metadata=None,
            rowsperstrip=64,
        )
        codes.tofile(place / "original.raw")
        found[path.stem] = pixels.shape[0] * pixels.shape[1] / 1e6
    return found


def measure_renderings(folder: Path, paths: list[Path], rounds: int) -> Table:
    """Run every rendering in every state, taking turns, and pair what ran beside each other."""
    megapixels = prepare_photographs(folder, paths)
    kept = folder / "kept"
    warm: dict[tuple[str, str], Path] = {}
    for photograph in megapixels:
        others = [each for each in megapixels if each != photograph]
        before: Path | None = None
        for state, seen in zip(STATES, ([], others, [photograph]), strict=True):
            place = warm[photograph, state] = kept / f"{photograph} {state}"
            if before is None:
                place.mkdir(parents=True)
            else:
                shutil.copytree(before, place)
            for other, rendering in itertools.product(seen, RENDERINGS):
                measure(rendering, "same size", folder / other, place / "points")
            before = place
    ratios: dict[tuple[str, str], list[dict[str, float]]] = {}
    for _, photograph, state in itertools.product(range(rounds), megapixels, STATES):
        taken = {}
        for rendering in RENDERINGS:
            place = folder / "now"
            shutil.rmtree(place, ignore_errors=True)
            shutil.copytree(warm[photograph, state], place)
            taken[rendering] = measure(
                rendering, "same size", folder / photograph, place / "points"
            )
        for rendering, run in taken.items():
            first = taken["relative"]
            ratios.setdefault((state, rendering), []).append(
                {
                    "time": run["work_s"] / first["work_s"],
                    "cpu": run["work_cpu_s"] / first["work_cpu_s"],
                    "cpu_s": run["work_cpu_s"],
                    "mps": megapixels[photograph] / run["work_cpu_s"],
                    "peak": run["peak_mib"],
                }
            )
    columns = ("kept", "rendering", "time", "CPU time", "least … most", "CPU s", "MP per CPU s")
    table = Table(
        *columns,
        "peak MiB",
        title=f"{len(paths)} photographs of {min(megapixels.values()):.0f} to "
        f"{max(megapixels.values()):.0f} MP, {rounds} rounds",
    )
    for (state, rendering), found in ratios.items():
        cpu = [each["cpu"] for each in found]
        table.add_row(
            state,
            rendering,
            f"{statistics.median(each['time'] for each in found):.2f} ×",
            f"{statistics.median(cpu):.2f} ×",
            f"{min(cpu):.2f} … {max(cpu):.2f}",
            f"{statistics.median(each['cpu_s'] for each in found):.1f}",
            f"{statistics.median(each['mps'] for each in found):.1f}",
            f"{max(each['peak'] for each in found):.0f}",
        )
    return table


def measure_photographs(folder: Path, paths: list[Path], rounds: int) -> Table:
    """Run every case on every photograph, taking turns, with the other photographs' points."""
    megapixels = prepare_photographs(folder, paths)
    columns = ("case", "who", "MP/s", "least … most", "ours is", "least … most", "CPU s / MP")
    table = Table(*columns, "peak MiB", title=f"{len(paths)} photographs, {rounds} rounds")
    for case in CASES:
        runs: dict[str, list[dict[str, float]]] = {each: [] for each in CONTESTANTS}
        for photograph, size in megapixels.items():
            kept = folder / "kept" / case / photograph
            kept.mkdir(parents=True)
            for other in set(megapixels) - {photograph}:
                measure("relative", case, folder / other, kept)
            for _ in range(rounds):
                now = folder / "now"
                shutil.rmtree(now, ignore_errors=True)
                shutil.copytree(kept, now)
                taken = {
                    "ours": measure("relative", case, folder / photograph, now),
                    "libvips": measure("libvips", case, folder / photograph),
                    "floor": measure("floor", case, folder / photograph),
                }
                made = size * (4 if case == "enlarged 2:1" else 1)
                for each, run in taken.items():
                    runs[each].append(
                        {
                            "speed": made / run["work_s"],
                            "ratio": run["work_s"] / taken["ours"]["work_s"],
                            "cpu": run["work_cpu_s"] / made,
                            "peak": run["peak_mib"],
                        }
                    )
            shutil.rmtree(kept)
        for each, found in runs.items():
            speeds, ratios = ([run[key] for run in found] for key in ("speed", "ratio"))
            table.add_row(
                case,
                each,
                f"{statistics.median(speeds):.1f}",
                f"{min(speeds):.1f} … {max(speeds):.1f}",
                f"{statistics.median(ratios):.2f} × as fast",
                f"{min(ratios):.2f} … {max(ratios):.2f}",
                f"{statistics.median(run['cpu'] for run in found):.3f}",
                f"{max(run['peak'] for run in found):.0f}",
            )
    return table


def measure(name: str, case: str, folder: Path, points: Path | None = None) -> dict[str, Any]:
    """Run one contestant in a process of its own."""
    command = [sys.executable, __file__, "--run", name, "--case", case, "--folder", str(folder)]
    command += ["--points", str(points)] if points else []
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    said = json.loads(done.stdout.splitlines()[-1])
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {"cpu_s": cpu, **said}


def run_one(name: str, case: str, folder: Path, points: Path | None) -> None:
    """In the contestant's process: imports first, then the work; say time and memory."""
    if name in {"ours", *RENDERINGS}:
        import hotfolder.work.preload
        import hotfolder.work.worker  # noqa: F401 - both are what the forkserver has loaded
    elif name == "libvips":
        import pyvips  # noqa: F401
    started, spent = time.perf_counter(), time.process_time()
    if name in RENDERINGS:
        ours(case, folder, RENDERINGS[name], points)
    else:
        CONTESTANTS[name](case, folder)
    elapsed, spent = time.perf_counter() - started, time.process_time() - spent
    print(json.dumps({"work_s": elapsed, "work_cpu_s": spent, "peak_mib": peak_mib()}))


def peak_mib() -> float:
    """Peak memory of this program; getrusage would count what it was started from, too."""
    (line,) = (
        line
        for line in Path("/proc/self/status").read_text().splitlines()
        if line.startswith("VmHWM:")
    )
    return int(line.split()[1]) / 1024


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--case", choices=CASES)
    parser.add_argument("--run", choices={**CONTESTANTS, **RENDERINGS})
    parser.add_argument("--photographs", type=Path, nargs="+", metavar="PHOTOGRAPH")
    parser.add_argument("--renderings", type=Path, nargs="+", metavar="PHOTOGRAPH")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--points", type=Path)
    add_write_option(parser)
    asked = parser.parse_args()
    if asked.run:
        run_one(asked.run, asked.case, asked.folder, asked.points)
        return
    if asked.renderings or asked.photographs:
        measure_them = measure_renderings if asked.renderings else measure_photographs
        part = "renderings" if asked.renderings else "photographs"
        with tempfile.TemporaryDirectory(dir=asked.folder) as name:
            measured = measure_them(Path(name), asked.renderings or asked.photographs, asked.rounds)
        show([measured], write=asked.write, part=part)
        return
    table = Table("case", "who", "seconds", "MP/s", "ours is", "CPU s", "peak MiB")
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder = Path(name)
        width, height = prepare(folder, asked.megapixels)
        for case in (asked.case,) if asked.case else CASES:
            runs: dict[str, list[dict[str, Any]]] = {each: [] for each in CONTESTANTS}
            for _ in range(asked.rounds):
                for each, taken in runs.items():
                    taken.append(measure(each, case, folder))
            pixels = width * height * (4 if case == "enlarged 2:1" else 1) / 1e6
            best = statistics.median(run["work_s"] for run in runs["ours"])
            for each, taken in runs.items():
                seconds = statistics.median(run["work_s"] for run in taken)
                table.add_row(
                    case,
                    each,
                    f"{seconds:.2f}",
                    f"{pixels / seconds:.1f}",
                    f"{seconds / best:.2f} × as fast",
                    f"{statistics.median(run['cpu_s'] for run in taken):.1f}",
                    f"{max(run['peak_mib'] for run in taken):.0f}",
                )
    show([table], write=asked.write)


if __name__ == "__main__":
    main()
