"""The demo: a root, invented pictures dropped into it, one sweep, and what there is to see."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from hotfolder.model.earlier_findings import find_facts
from hotfolder.model.records import Record
from hotfolder.model.units import say_share
from hotfolder.overview.new_root import make_folders, make_root
from hotfolder.settings.files import SETTINGS_FILE
from hotfolder.settings.root import Root
from hotfolder_demo.overview import write_overview
from hotfolder_demo.scenes import write_scenes
from hotfolder_demo.shoot import DESTINATION, NAME, write_shoot

OVERVIEW = "what-came-out.jpg"
SHOOT_OVERVIEW = "the-shoot.jpg"

Sweep = Callable[[Root], list[Record]]


def run_demo(folder: Path, out: Console, sweep: Sweep) -> None:
    """Make a root at `folder`, drop the scenes into its hot folders, work, and tell.

    sweep: does what is waiting in a root and returns the records.
    """
    say(out, f"Making a root at {folder.absolute()}")
    make_root(folder)
    _hasten(folder / SETTINGS_FILE)
    root = Root(folder)
    (root.destinations / f"{NAME}.toml").write_text(DESTINATION, encoding="utf-8")
    make_folders(root, [])
    say(out, "Painting an estuary: the pictures are invented, no camera was there")
    dropped = write_scenes(folder / "in", long_edge_px=2000)
    dropped[NAME] = write_shoot(folder / "in" / NAME)
    number = sum(len(files) for files in dropped.values())
    say(out, f"Dropped {number} files into {len(dropped)} hot folders; working")
    records = sweep(root)
    _tell(out, records)
    say(out, "")
    shoot = [record for record in records if record.destination == NAME]
    others = [record for record in records if record.destination != NAME]
    for name, shown in ((OVERVIEW, others), (SHOOT_OVERVIEW, shoot)):
        if any(record.results for record in shown):
            write_overview(shown, folder / name)
            say(out, f"Look at {(folder / name).absolute()}")
    say(out, f"Results and log.jsonl: {folder}/out/")
    say(out, f"Proof sheets: {folder}/out/book-pages/sheets/index.html, in a browser")
    say(out, f"The shoot, its chart as found: {folder}/out/{NAME}/sheets/index.html")
    say(out, f"Held, with the reason:  {folder}/held/fine-art-canvas/index.html")
    say(out, f"Refused, with the reason: {folder}/refused/")
    say(out, f'Ask the records: hotfolder audit {folder} --lost-above "0.2 %" --sort lost')
    say(out, "A picture on a screen predicts a print; only a test strip on the medium proves it.")
    say(out, f"Decide about what is held, in your browser: hotfolder desk {folder}")


def _hasten(settings: Path) -> None:
    """Files of the demo arrive whole: there is nothing to wait for."""
    text = settings.read_text(encoding="utf-8")
    text = text.replace('quiet = "2 s"', 'quiet = "0.3 s"')
    settings.write_text(text.replace('patience = "60 s"', 'patience = "1 s"'), encoding="utf-8")


def _tell(out: Console, records: list[Record]) -> None:
    table = Table("destination", "file", "", "result", "lost")
    for record in sorted(records, key=lambda each: (each.destination, each.source)):
        lost = find_facts(record).share_lost
        results = [
            f"{each.bits} bit {each.colour_space} {each.format.upper()}" for each in record.results
        ]
        table.add_row(
            record.destination,
            Text(record.source),
            record.state,
            " ".join(results),
            "" if lost is None else say_share(lost, 2),
        )
    out.print(table)
    say(out, "lost: share of the picture whose colours come out farther off than the tolerance")


def say(out: Console, line: str) -> None:
    """Print a line as it stands."""
    out.print(line, markup=False, highlight=False, soft_wrap=True)
