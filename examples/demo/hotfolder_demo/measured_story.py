"""The story of a medium: strips printed and measured, canvas that yellows, a new profile.

``python -m hotfolder_demo.measured_story DIR`` tells it in the root of a demo, or makes one. The
printer and its instrument are invented: colours are those of the demo's printer in closed form, of
which the profile's tables are an image, with noise of print and instrument.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import Annotated, Final

import numpy as np
import typer

from hotfolder.measured.book import Book
from hotfolder.measured.control_strip import (
    ControlStrip,
    make_control_strip,
    remember_strip,
    strip_command,
)
from hotfolder.measured.limits import load_limits
from hotfolder.measured.records import Verdict
from hotfolder.measured.verdict import judge
from hotfolder.overview.new_root import make_root
from hotfolder.settings.files import Destination, load_destination
from hotfolder.settings.root import Root
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder_demo.printer import Floats, Printer, Recipe, read_recipe
from hotfolder_demo.profiles import build_profile

NAME: Final = "fine-art-canvas"
CALM_DAYS: Final = 14
DRIFT_DAYS: Final = 21
AFTER_DAYS: Final = 7
_ALIKE: Final = 0.12
"""Standard deviation of prints as wholes, in L*, a* and b*."""
_READING: Final = 0.15
"""Of one patch: print and instrument."""
_A_DAY: Final = np.array([-0.02, 0.015, 0.11])
"""What the coating's white loses and gains each day of the drift, in L*, a* and b*."""


@dataclass(frozen=True)
class Told:
    """What became of it."""

    verdicts: tuple[Verdict, ...]
    drift_began: str
    """The file of the first print on the coating that yellows."""
    first_after: str
    """The file of the first print with the new profile; "" when there was none."""


def tell_story(root: Root, end: datetime, *, to_its_end: bool = True) -> Told:
    """Print, measure and judge a strip a day, up to a moment.

    Parameters
    ----------
    to_its_end
        Whether a new profile is made after the alarm; else the medium stays off.
    """
    folder = resources.files("hotfolder_defaults") / "profiles"
    with resources.as_file(folder / "matte-canvas.toml") as path:
        recipe = read_recipe(path)
    rng = np.random.default_rng(12)
    book, destination = Book(root, NAME), _load(root)
    days = CALM_DAYS + DRIFT_DAYS + (AFTER_DAYS if to_its_end else 0)
    strip = make_control_strip(destination)
    remember_strip(root, strip)
    verdicts: list[Verdict] = []
    first_after = ""
    for day in range(days):
        yellowed = min(max(0, day - CALM_DAYS + 1), DRIFT_DAYS)
        printer = Printer(_yellowed(recipe, yellowed))
        if day == CALM_DAYS + DRIFT_DAYS:
            made = build_profile(_yellowed(recipe, DRIFT_DAYS), "2.4")
            (root.profiles / destination.file.medium.profile).write_bytes(made)
            destination = _load(root)
            strip = make_control_strip(destination)
            remember_strip(root, strip)
            first_after = _name(day)
        whole = rng.normal(0, _ALIKE, 3)
        lab = printer.absolute(printer.device_to_lab(strip.device)) + whole
        lab = lab + rng.normal(0, _READING, lab.shape)
        moment = end - timedelta(days=days - 1 - day)
        verdicts.append(_judge(root, book, destination, strip, lab, _name(day), moment, verdicts))
    return Told(tuple(verdicts), _name(CALM_DAYS), first_after)


def _name(day: int) -> str:
    return f"canvas day {day + 1:02} M1.txt"


def _yellowed(recipe: Recipe, days: int) -> Recipe:
    """The same canvas whose coating has yellowed; inks hide the more of it, the darker they are."""
    changed = {}
    for name in ("white", "red", "yellow", "green", "cyan", "blue", "magenta"):
        lab = np.array(getattr(recipe, name))
        changed[name] = tuple(lab + days * _A_DAY * (lab[0] / recipe.white[0]) ** 2)
    return recipe.model_copy(update=changed)


def _load(root: Root) -> Destination:
    return load_destination(root.destinations / f"{NAME}.toml", load_registry(), Intake())


def _judge(
    root: Root,
    book: Book,
    destination: Destination,
    strip: ControlStrip,
    lab: Floats,
    name: str,
    moment: datetime,
    earlier: list[Verdict],
) -> Verdict:
    data = _write_cgats(strip, lab).encode()
    book.kept.mkdir(parents=True, exist_ok=True)
    (book.kept / name).write_bytes(data)
    verdict = judge(
        data,
        name=name,
        kept=f"kept/{name}",
        sha256=hashlib.sha256(data).hexdigest(),
        new_batch=False,
        destination=NAME,
        profile=destination.profile,
        strips=[strip],
        make_strip=strip_command(root, NAME),
        limits=load_limits(root),
        earlier=earlier,
        now=moment,
    )
    book.append(verdict)
    return verdict


def _write_cgats(strip: ControlStrip, lab: Floats) -> str:
    """Write what an instrument's program would (ISO 28178)."""
    fields = "SAMPLE_NAME RGB_R RGB_G RGB_B LAB_L LAB_A LAB_B"
    rows = [
        " ".join([patch.name, *(f"{255 * each:.0f}" for each in patch.device),
                  *(f"{each:.2f}" for each in colour)])
        for patch, colour in zip(strip.patches, lab.tolist(), strict=True)
    ]  # fmt: skip
    return "\n".join([
        "CGATS.17", f'DESCRIPTOR "control strip {strip.id}"', 'MEASUREMENT_CONDITION "M1"',
        f"NUMBER_OF_FIELDS {len(fields.split())}", "BEGIN_DATA_FORMAT", fields, "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA", *rows, "END_DATA", "",
    ])  # fmt: skip


def main(
    folder: Annotated[Path, typer.Argument(metavar="DIR")] = Path("hotfolder-demo"),
    *,
    alarm: Annotated[bool, typer.Option("--alarm", help="end with the alarm")] = False,
) -> None:
    """Tell the story of a canvas that yellows, in a root that is there or a new one."""
    if not (folder / "destinations").is_dir():
        make_root(folder)
    told = tell_story(Root(folder), datetime.now(UTC), to_its_end=not alarm)
    raised = next((each for each in told.verdicts if each.has_alarm), None)
    print(f"{len(told.verdicts)} strips of {NAME} measured; the coating yellows from")  # noqa: T201
    print(f"{told.drift_began} on.")  # noqa: T201
    if raised is not None:
        print(f"{raised.file}: {' '.join(raised.words)}")  # noqa: T201
    print(f"hotfolder measured {folder} --for {NAME} --report measured.html")  # noqa: T201


if __name__ == "__main__":
    typer.run(main)
