"""What a medium cannot make, beside brute force: ``python tests/benchmarks/medium.py FOLDER …``.

For each photograph and profile, the share of pixels that lie further than the tolerance from all
that the medium can make, three times over:

- *brute force*: every colour of a reduced copy, that the profile's own table does not bring within
  the tolerance, is looked for by a slow and plain search through LittleCMS
  (`tests/reference/brute_force.py`);
- *check*: what the gamut check says of the same copy (``out_of_gamut_share``), and of how many of
  its pixels the two searches disagree when asked for each;
- *large*: what the check, which samples, says of a larger copy, beside its own search for every
  colour of that.

``wide``: the photograph's numbers read as those of a wider space, a picture full of colours that no
printer makes. Options: ``--pixels 6000`` of the reduced copy, ``--large 400000``, ``--profile
FILE`` (any number, beside the demo's four and that of libvips), ``--write``.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from measured import add_write_option, show
from numpy.typing import NDArray
from renderings import SUFFIXES, read
from rich.table import Table

sys.path.insert(0, str(Path(__file__).parents[1]))

from hotfolder.colour.loss import Route, losses, medium_losses, round_trip_noise, wanted
from hotfolder.colour.medium import largest_ink_sum
from hotfolder.colour.profile import Profile
from hotfolder.model.encoding import Encoding
from hotfolder.testing import make_stage, run_stage
from hotfolder_stages.gamut_check import GamutCheck
from reference.brute_force import brute_force
from reference.devices import SRGB, WIDE_RGB, demo_printer, libvips
from stages.driving import job_of, spec_of

Codes = NDArray[np.uint16]
Bools = NDArray[np.bool_]

TOLERANCE = 3.0
_TOGETHER = 50_000


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER or FILE")
    parser.add_argument("--pixels", type=int, default=6_000)
    parser.add_argument("--large", type=int, default=400_000)
    parser.add_argument("--profile", type=Path, action="append", default=[])
    add_write_option(parser)
    options = parser.parse_args()
    profiles = {
        "libvips' CMYK": libvips("cmyk"),
        "demo canvas": demo_printer("matte-canvas", "4.4"),
        "demo canvas, version 2": demo_printer("matte-canvas", "2.4"),
        "demo book": demo_printer("coated-book", "4.4"),
        "demo book, version 2": demo_printer("coated-book", "2.4"),
    }
    profiles |= {path.stem: Profile.load(path) for path in options.profile}
    paths = [
        path
        for given in options.folders
        for path in (sorted(given.iterdir()) if given.is_dir() else [given])
        if path.suffix in SUFFIXES
    ]
    names = ("medium", "photograph", "space", "table loses", "brute force", "check", "off")
    table = Table(
        *names, "searches disagree", "large: every colour", "check", "off", title="medium"
    )
    worst = Table("medium", "pictures", "off by brute force, at most", "large, at most")
    for name, profile in profiles.items():
        found = []
        for path in paths:
            for space, source in (("sRGB", SRGB), ("wide", WIDE_RGB)):
                row = measure(path, source, profile, options.pixels, options.large)
                found.append(row)
                table.add_row(name, path.stem, space, *row.cells)
                print(name, path.stem, space, *row.cells, file=sys.stderr, flush=True)
        table.add_section()
        worst.add_row(
            name,
            str(len(found)),
            say_points(max(abs(row.off) for row in found)),
            say_points(max(abs(row.large_off) for row in found)),
        )
    show([worst, table], write=options.write)


@dataclass(frozen=True)
class Row:
    """Shares of one picture's pixels, 0 … 1."""

    lost: float
    brute: float
    check: float
    disagree: float
    every: float
    large_check: float

    @property
    def off(self) -> float:
        """How far the check is from brute force."""
        return self.check - self.brute

    @property
    def large_off(self) -> float:
        """How far the sampling check is from its own search for every colour."""
        return self.large_check - self.every

    @property
    def cells(self) -> list[str]:
        """What a line of the table says."""
        shares = [f"{each:.2%}" for each in (self.lost, self.brute, self.check)]
        large = [f"{each:.2%}" for each in (self.every, self.large_check)]
        return [
            *shares,
            say_points(self.off),
            f"{self.disagree:.2%}",
            *large,
            say_points(self.large_off),
        ]


def say_points(share: float) -> str:
    """Write a difference of shares in percentage points."""
    return f"{100 * share:.2f}"


def measure(path: Path, source: Profile, profile: Profile, pixels: int, large: int) -> Row:
    """Measure one photograph in one space on one medium."""
    route = Route(source, profile)
    tolerance = max(TOLERANCE, round_trip_noise(profile).p99)
    small = read(path, pixels)
    colours, weights, lost = lost_of(route, small, tolerance)
    asked = wanted(route, colours[lost])
    caps = None
    if profile.encoding is Encoding.CMYK:
        caps = np.full(len(asked), largest_ink_sum(profile))
    plain = brute_force(profile, asked, caps, tolerance) > tolerance
    ours = medium_losses(route, colours[lost], enough=tolerance) > tolerance
    shares = weights[lost]
    picture = read(path, large)
    every, every_weight, every_lost = lost_of(route, picture, tolerance)
    beyond = medium_losses(route, every[every_lost], enough=tolerance) > tolerance
    return Row(
        float(shares.sum()),
        float(shares[plain].sum()),
        check(small, source, profile),
        float(shares[plain != ours].sum()),
        float(every_weight[every_lost][beyond].sum()),
        check(picture, source, profile),
    )


def lost_of(route: Route, picture: Codes, tolerance: float) -> tuple[Codes, Any, Bools]:
    """Colours of a picture, each once, their shares of its pixels, and which the table loses.

    A colour that the table brings within the tolerance can be made: the table made it.
    """
    colours, counts = np.unique(picture.reshape(-1, 3), axis=0, return_counts=True)
    parts = range(0, len(colours), _TOGETHER)
    loss = np.concatenate([losses(route, colours[at : at + _TOGETHER])[0] for at in parts])
    return colours, counts / counts.sum(), loss > tolerance


def check(picture: Codes, source: Profile, profile: Profile) -> float:
    """What the gamut check says."""
    spec = spec_of(picture, source)
    stage = make_stage(GamutCheck, {"tolerance": TOLERANCE})
    findings = run_stage(stage, picture, spec, job_of(spec, profile=profile), rows=200)[2]
    return float(findings["out_of_gamut_share"])


if __name__ == "__main__":
    main()
