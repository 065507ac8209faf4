"""How fast and how exact the colour work is, in one run: ``python tests/benchmarks/colour.py``.

Prints two tables. Each line is one way to do the same work on the same pixels, per core and from
one call, with what a call sets up counted in.

Times are of the processor, all threads of this process together, so that neither other programs
nor libvips' own threads count for or against anyone.

- *conversion*: Wide RGB to each printer, relative colorimetric with black point compensation. Ours
  at each precision, LittleCMS called directly without and with its usual grid, and libvips'
  ``icc_transform``. Ratio: to LittleCMS's usual grid. Errors: ΔE00 to LittleCMS without a grid,
  over random colours and over the demo's pictures. "Once" is what
  the first call costs more than those that follow.
- *gamut check*: the look-up of the stage, against the differences computed for each pixel, and how
  far apart the two shares of pixels over the tolerance are.

Options: ``--megapixels 4`` (the default), ``--seconds 2`` to spend on each line at least,
``--write`` to keep the tables. Nothing here is a test: machines and their load vary, ratios
within one run vary less.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyvips
from measured import add_write_option, show
from numpy.typing import NDArray
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from hotfolder.colour.difference import DifferenceStatistics, delta_e_00
from hotfolder.colour.engine import BLACK_POINT_COMPENSATION, NO_GRID, convert_pixels, to_lab
from hotfolder.colour.loss import Route, losses
from hotfolder.colour.loss_table import make_loss_lookup
from hotfolder.colour.profile import Profile
from hotfolder.colour.transform import Precision, Transform
from hotfolder.disk import processes
from hotfolder.model.intent import Intent
from hotfolder_demo import scenes
from reference.devices import WIDE_RGB, demo_printer, libvips

Codes = NDArray[np.uint16]
Convert = Callable[[Codes], Codes]

TOLERANCE = 3.0
SLOW_PIXELS = 250_000
"""What is far slower than the rest is measured on as many pixels."""


@dataclass(frozen=True)
class Way:
    """One way to do the work: `make` gets ready once, what it returns does the pixels."""

    name: str
    make: Callable[[], Convert]
    is_slow: bool = False


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=4.0)
    parser.add_argument("--seconds", type=float, default=2.0)
    add_write_option(parser)
    options = parser.parse_args()
    processes.cpu_count = lambda: 1
    pyvips.cache_set_max(0)
    picture, random = _pixels(options.megapixels)
    printers = {
        "libvips' CMYK": libvips("cmyk"),
        "coated book (demo)": demo_printer("coated-book", "2.4"),
        "matte canvas (demo)": demo_printer("matte-canvas", "4.4"),
    }
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    title = (
        f"{platform.machine()}, per core of {os.cpu_count()}{load}; {picture.size // 3:,} pixels"
    )
    heads = (
        "to",
        "way",
        "once, ms",
        "pictures, MP/s",
        "ratio",
        "random, MP/s",
        "ΔE00 random: mean / p99 / max",
        "ΔE00 pictures: mean / p99 / max",
    )
    rows = list(_conversions(printers, picture, random, options.seconds))
    tables = [_table(f"Conversion ({title})", heads, rows)]
    heads = ("to", "way", "once, ms", "pictures, MP/s", "ratio", "share over 3 ΔE00", "mean ΔE00")
    rows = list(_gamut_checks(printers, picture, options.seconds))
    show([*tables, _table(f"Gamut check ({title})", heads, rows)], write=options.write)


def _conversions(
    printers: dict[str, Profile], picture: Codes, random: Codes, seconds: float
) -> Iterator[tuple[str, ...]]:
    for name, printer in printers.items():
        some = {"random": random[:50], "pictures": picture[::8]}
        exact = {key: to_lab(printer, _littlecms(printer, NO_GRID)(px)) for key, px in some.items()}
        usual = 0.0
        for way in _ways(printer):
            seen = _part(picture, slow=way.is_slow)
            began = time.process_time()
            convert = way.make()
            convert(seen)
            first_s = time.process_time() - began
            speed = [
                _speed(convert, pixels, seconds)
                for pixels in (seen, _part(random, slow=way.is_slow))
            ]
            once_ms = max(0.0, 1000 * (first_s - seen.size / 3e6 / speed[0]))
            usual = usual or speed[0]
            errors = [
                _figures(delta_e_00(exact[key], to_lab(printer, convert(px))))
                for key, px in some.items()
            ]
            yield (
                name,
                way.name,
                f"{once_ms:.0f}",
                f"{speed[0]:.1f}",
                f"{speed[0] / usual:.2f}",
                f"{speed[1]:.1f}",
                *errors,
            )


def _ways(printer: Profile) -> Iterator[Way]:
    """Say what is compared; LittleCMS's usual grid first, as the others are held against it."""
    yield Way("LittleCMS, usual grid", lambda: _littlecms(printer, 0))
    yield Way("LittleCMS, no grid", lambda: _littlecms(printer, NO_GRID), is_slow=True)
    for precision in Precision:

        def make(precision: Precision = precision) -> Convert:
            return Transform(WIDE_RGB, printer, precision=precision).apply

        yield Way(f"ours, {precision}", make, is_slow=precision is Precision.EXACT)
    yield Way("libvips icc_transform", lambda: _libvips(printer))


def _gamut_checks(
    printers: dict[str, Profile], picture: Codes, seconds: float
) -> Iterator[tuple[str, ...]]:
    few = _part(picture, slow=True)[::3]
    for name, printer in printers.items():
        route = Route(WIDE_RGB, printer)

        def each_pixel(pixels: Codes, route: Route = route) -> Codes:
            return DifferenceStatistics.encode(losses(route, pixels)[0])[..., None]

        usual = 0.0
        for way, make, pixels in (
            ("every pixel", lambda each=each_pixel: each, few),
            ("our table", lambda route=route: make_loss_lookup(route), picture),
        ):
            began = time.process_time()
            check = make()
            check(pixels)
            first_s = time.process_time() - began
            speed = _speed(check, pixels, seconds)
            once_ms = max(0.0, 1000 * (first_s - pixels.size / 3e6 / speed))
            usual = usual or speed
            loss = check(few)[..., 0] * (DifferenceStatistics.FULL_SCALE / 65535)
            yield (
                name,
                way,
                f"{once_ms:.0f}",
                f"{speed:.1f}",
                f"{speed / usual:.0f}",
                f"{100 * (loss > TOLERANCE).mean():.2f} %",
                f"{loss.mean():.3f}",
            )


def _littlecms(printer: Profile, flags: int) -> Convert:
    def convert(pixels: Codes) -> Codes:
        return convert_pixels(
            pixels,
            WIDE_RGB,
            printer,
            Intent.RELATIVE_COLORIMETRIC,
            flags | BLACK_POINT_COMPENSATION,
        )

    return convert


def _libvips(printer: Profile) -> Convert:
    """Let libvips convert, in as many threads as it likes."""
    folder = Path(os.environ.get("TMPDIR", "/tmp")) / f"hotfolder-benchmark-{os.getpid()}"
    folder.mkdir(exist_ok=True)
    paths = [folder / f"{each.sha256}.icc" for each in (WIDE_RGB, printer)]
    for path, profile in zip(paths, (WIDE_RGB, printer), strict=True):
        path.write_bytes(profile.data)

    def convert(pixels: Codes) -> Codes:
        image = pyvips.Image.new_from_array(pixels, interpretation="rgb16")
        done = image.icc_transform(
            str(paths[1]),
            input_profile=str(paths[0]),
            intent="relative",
            black_point_compensation=True,
            depth=16,
        )
        return np.asarray(done.numpy(), dtype=np.uint16)

    return convert


def _pixels(megapixels: float) -> tuple[Codes, Codes]:
    """Return the demo's pictures side by side, and as many random pixels."""
    count = int(megapixels * 1e6)
    long_edge = int((count * 1.5 / 2.2) ** 0.5)
    painted = scenes._painted(long_edge)
    flat = np.concatenate(
        [scenes._wide_codes(painted[name]).reshape(-1, 3) for name in painted if name != "ripples"]
    )
    shape = (count // 1000, 1000, 3)
    picture = np.resize(flat, shape)
    random = np.random.default_rng(1).integers(0, 65536, shape, dtype=np.uint16)
    return picture, random


def _part(pixels: Codes, *, slow: bool) -> Codes:
    """Return all rows, or an even spread of some."""
    if not slow:
        return pixels
    step = max(1, len(pixels) * pixels.shape[1] // SLOW_PIXELS)
    return np.ascontiguousarray(pixels[::step])


def _speed(convert: Convert, pixels: Codes, seconds: float) -> float:
    """Return megapixels a second: the best of as many calls as fit, and of two at least."""
    best, spent, calls = np.inf, 0.0, 0
    while calls < 2 or spent < seconds:
        began = time.process_time()
        convert(pixels)
        took = time.process_time() - began
        best, spent, calls = min(best, took), spent + took, calls + 1
    return float(pixels.size / 3 / best / 1e6)


def _figures(differences: NDArray[Any]) -> str:
    p99 = np.percentile(differences, 99)
    return f"{differences.mean():.3f} / {p99:.2f} / {differences.max():.2f}"


def _table(title: str, heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> Table:
    table = Table(*heads, title=title)
    for row in rows:
        table.add_row(*row)
    return table


if __name__ == "__main__":
    main()
