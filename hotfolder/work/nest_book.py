"""Nests of a root: each is a sheet, a guide, and a line in ``nests/NAME/log.jsonl``.

The pieces stay where they were delivered. The line is written last: a sheet without one is what a
kill has left, and may be deleted.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal

from filelock import FileLock
from pydantic import BaseModel, ConfigDict

from hotfolder.disk import durable
from hotfolder.disk.free_names import TakenNames
from hotfolder.disk.line_log import append_line
from hotfolder.errors import Refuse, StorageError
from hotfolder.ledger.reading import open_reader
from hotfolder.model.destination import Result
from hotfolder.model.units import Money
from hotfolder.raster.picture import Band
from hotfolder.raster.writing import open_result
from hotfolder.settings.files import Destination
from hotfolder.settings.root import Root
from hotfolder.work.nest import Nest, Piece, make_bands, make_spec
from hotfolder.work.nest_guide import Miniature, draw_guide
from hotfolder.work.trial import Tell

LOG: Final = "log.jsonl"
NestFormat = Literal["tiff", "pdf"]
_SUFFIXES: Final = {"tiff": ".tif", "pdf": ".pdf"}


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class NestedPiece(_Line):
    """A piece on a sheet."""

    path: str
    """Where its own file was, below the root if it is there."""
    sha256: str
    """Of that file."""
    job: str | None
    """The job that made it; None when no record of the root says so."""
    left_px: int
    """From the sheet's left edge."""
    top_px: int
    """From its start."""
    width_px: int
    """As it lies."""
    height_px: int
    """As it lies."""
    turned: bool
    """By a quarter, clockwise."""


class NestRecord(_Line):
    """The line of a nest."""

    version: int = 1
    """Of this form."""
    made: datetime
    """When, in UTC."""
    destination: str
    """Whose medium it is for."""
    sheet: str
    """The file, below the root."""
    sha256: str
    """Of the file."""
    guide: str
    """The picture for whoever cuts it."""
    width_mm: float
    """Of the roll."""
    length_mm: float
    """Of the roll that it takes."""
    alone_mm: float
    """Of the roll that the pieces would take one after the other."""
    ppi: float
    """Of the sheet and of all pieces."""
    profile_sha256: str
    """Of the profile in all of them."""
    saved: Money | None
    """What less medium costs; None when no price is set."""
    pieces: tuple[NestedPiece, ...]
    """In the order in which they were named."""


def find_jobs(root: Root, destination: Destination, pieces: Sequence[Piece]) -> list[str | None]:
    """Find the jobs that made the pieces, by their content.

    Raises
    ------
    Refuse
        ``nest-differs``: one was made for another destination, or with another profile.
    StorageError
        When the ledger cannot be read.
    """
    found: list[str | None] = []
    with open_reader(root.ledger) as ledger:
        for piece in pieces:
            rows = ledger.read(
                "SELECT job, destination FROM records WHERE result_sha256 = ?"
                " ORDER BY number DESC LIMIT 1",
                (piece.sha256,),
            )
            job, made_for = rows[0] if rows else (None, destination.name)
            if made_for != destination.name:
                raise Refuse(
                    "nest-differs",
                    f"{piece.name} was made for {made_for}, and the sheet is for "
                    f"{destination.name}: another medium. Nest them apart.",
                )
            profile = piece.spec.profile
            if profile is None or profile.sha256 != destination.profile.sha256:
                raise Refuse(
                    "nest-differs",
                    f"{piece.name} is in the values of "
                    f"{profile.description if profile else 'no profile'!r}, and "
                    f"{destination.name} prints with {destination.profile.description!r}.",
                )
            found.append(job)
    return found


def find_saved(nest: Nest, price: Money | None) -> Money | None:
    """Say what the medium costs that is saved."""
    if price is None:
        return None
    area_mm2 = nest.to_mm(nest.width_px) * nest.to_mm(nest.alone_px - nest.length_px)
    return Money(round(price.amount * area_mm2 / 1e6, 2), price.currency)


def write_nest(
    root: Root,
    destination: Destination,
    nest: Nest,
    jobs: Sequence[str | None],
    made_as: NestFormat,
    scratch: Path,
    tell: Tell,
) -> NestRecord:
    """Write the sheet and the guide, and record them.

    Raises
    ------
    Refuse
        ``nest-changed``: a piece is not what it was; or what the format cannot hold.
    StorageError
        When something cannot be written.
    """
    folder = root.nests / destination.name
    try:
        durable.make_folders(folder)
        # two commands at a time would give one name twice
        with FileLock(folder / ".hotfolder-nests.lock"):
            return _write(root, folder, destination, nest, jobs, made_as, scratch, tell)
    except OSError as error:
        place = error.filename or folder
        raise StorageError(f"{place} cannot be written: {error.strerror or error}") from error


def _write(
    root: Root, folder: Path, destination: Destination, nest: Nest, jobs: Sequence[str | None],
    made_as: NestFormat, scratch: Path, tell: Tell,
) -> NestRecord:  # fmt: skip
    made = datetime.now(UTC)
    stem = _name(nest, made)
    sheet = TakenNames().find_free(folder, f"{stem}{_SUFFIXES[made_as]}")
    guide = TakenNames().find_free(folder, f"{sheet.stem} guide.png")
    small = Miniature(nest)
    pieces = [each.piece for each in nest.laid]
    settings = destination.file.result
    result = Result(format=made_as, bits=8 if pieces[0].bits <= 8 else 16,
                    compression=settings.compression, bigtiff=settings.bigtiff)  # fmt: skip

    def watch(band: Band) -> None:
        small.take(band)
        tell("laying", min(0.95, (band.top + band.rows) / nest.length_px))

    temporary = durable.temporary_name(sheet)
    try:
        with open_result(temporary, make_spec(nest), result) as writer:
            writer.write(make_bands(nest, scratch, watch))
        for piece in pieces:
            if durable.sha256_of(piece.path).sha256 != piece.sha256:
                raise Refuse("nest-changed", f"{piece.name} has changed meanwhile; nest it again.")
        durable.fsync_file(temporary)
        digest = durable.sha256_of(temporary)
        saved = find_saved(nest, destination.file.medium.cost_per_square_metre)
        durable.write_new(guide, draw_guide(nest, small, describe(nest, destination, saved)))
        durable.move_new(temporary, sheet)
    finally:
        temporary.unlink(missing_ok=True)
    profile = pieces[0].spec.profile
    assert profile is not None  # `read_pieces` has seen to it
    record = NestRecord(
        made=made,
        destination=destination.name,
        sheet=_shorten(sheet, root),
        sha256=digest.sha256,
        guide=_shorten(guide, root),
        width_mm=round(nest.to_mm(nest.width_px), 1),
        length_mm=round(nest.to_mm(nest.length_px), 1),
        alone_mm=round(nest.to_mm(nest.alone_px), 1),
        ppi=nest.ppi,
        profile_sha256=profile.sha256,
        saved=saved,
        pieces=tuple(
            NestedPiece(
                path=_shorten(each.piece.path, root), sha256=each.piece.sha256, job=job,
                left_px=each.left_px, top_px=each.top_px, width_px=each.width_px,
                height_px=each.height_px, turned=each.is_turned,
            )
            for each, job in zip(nest.laid, jobs, strict=True)
        ),
    )  # fmt: skip
    append_line(folder / LOG, record.model_dump_json().encode())
    return record


def describe(nest: Nest, destination: Destination, saved: Money | None) -> list[str]:
    """Say in a few lines what a nest is and what it saves."""
    width, length, alone = (
        nest.to_mm(each) for each in (nest.width_px, nest.length_px, nest.alone_px)
    )
    money = f", {saved} of medium" if saved else ""
    count, title = len(nest.laid), destination.file.title or destination.name
    return [
        f"{count} picture{'s' if count > 1 else ''} on {title}",
        f"Roll {width:.0f} mm wide, {length:.0f} mm of it. One after the other: {alone:.0f} mm.",
        f"Saved: {alone - length:.0f} mm, {100 * nest.saved_share:.0f} %{money}.",
    ]


def _shorten(path: Path, root: Root) -> str:
    """A path as records have it: below the root if it is there, so that the root can be moved."""
    return str(path.relative_to(root.path)) if path.is_relative_to(root.path) else str(path)


def _name(nest: Nest, made: datetime) -> str:
    width, length = (round(nest.to_mm(each)) for each in (nest.width_px, nest.length_px))
    return f"nest {made.astimezone().date().isoformat()} {width}x{length}mm"
