"""The command ``release``: one held job, several, or what of a batch is held for a reason."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from hotfolder.cli.looking import read_way
from hotfolder.cli.terminal import print_line, print_plain
from hotfolder.errors import Problem, SettingsError, StorageError
from hotfolder.pages.words import describe_changes
from hotfolder.settings.root import Root

if TYPE_CHECKING:
    from hotfolder.model.records import Record
    from hotfolder.model.wishes import Wish

NOTHING_RELEASED = 3
_MOST_SHOWN = 20


def release(
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="JOB|ROOT",
            help="held jobs, by their names or those of their pictures; last the root, by default "
            "the current folder",
        ),
    ] = None,
    *,
    batch: Annotated[
        str | None, typer.Option(metavar="NAME/BATCH", help="held jobs of a batch; lists them")
    ] = None,
    held_for: Annotated[
        list[str] | None,
        typer.Option(
            metavar="REASON", help="with --batch: release what is held for this; repeatable"
        ),
    ] = None,
    intent: Annotated[
        str | None, typer.Option(metavar="INTENT", help="another rendering intent")
    ] = None,
    rendering: Annotated[
        str | None,
        typer.Option(
            metavar="RENDERING",
            help='another rendering: "refined", "detail", "perceptual", "detail + depth"',
        ),
    ] = None,
    long_edge: Annotated[
        str | None, typer.Option(metavar="LENGTH", help='another size, as in "40 in"')
    ] = None,
    white_at: Annotated[
        str | None,
        typer.Option(
            metavar="X%,Y%",
            help='what is white or grey in it, from the left and the top, as in "40%,30%": your '
            "decision, no measurement",
        ),
    ] = None,
    change: Annotated[
        list[str] | None, typer.Option("--set", metavar="STAGE.KEY=VALUE", help="another setting")
    ] = None,
    why: Annotated[str, typer.Option(metavar="REASON", help="the reason, for the record")] = "",
    who: Annotated[
        str | None, typer.Option(metavar="PERSON", help="by default, your login name")
    ] = None,
    accept: Annotated[
        bool, typer.Option("--accept", help="also what the change makes worse than you were told")
    ] = False,
) -> None:
    """Release held jobs, as they are or with a change for these jobs only."""
    from hotfolder.ending.decision import find_held_named, release_job, split_words
    from hotfolder.model.wishes import IntentWish, LongEdgeWish, RenderingWish, WhiteWish

    words, root = split_words(names or [])
    jobs = [find_held_named(root, word) for word in words]
    if batch is not None:
        is_changed = bool(change) or any(
            each is not None for each in (intent, rendering, long_edge, white_at)
        )
        jobs += _choose_of_batch(root, batch, held_for or [], is_changed=is_changed)
    elif held_for:
        raise SettingsError([Problem("--held-for", "", held_for[0], "with --batch NAME/BATCH")])
    elif not jobs:
        allowed = "at least one held job, or --batch NAME/BATCH"
        raise SettingsError([Problem("release", "", "names no job", allowed)])
    wishes: list[Wish] = [] if intent is None else [IntentWish(intent)]
    if rendering is not None:
        wishes.append(RenderingWish(str(read_way(rendering, "--rendering"))))
    if long_edge is not None:
        wishes.append(LongEdgeWish(long_edge))
    if white_at is not None:
        try:
            wishes.append(WhiteWish.named(white_at))
        except ValueError as error:
            raise SettingsError([Problem("--white-at", "", white_at, str(error))]) from None
    failed: list[StorageError] = []
    refused: list[Problem] = []
    released = False
    for job in jobs:
        try:
            changes = release_job(root, job, change or [], wishes, who=who, why=why, accept=accept)
        except StorageError as error:  # one that is already being released does not stop the others
            failed.append(error)
            continue
        except SettingsError as error:  # nor does one that was edited
            refused += [each for each in error.problems if each not in refused]
            continue
        said = f"with {describe_changes(changes)}" if changes else "as it stands"
        print_line(f"{job} is released {said}.")
        released = True
    if released:
        print_plain(
            f"A running daemon picks it up at once; otherwise run `{root.command('sweep')}`."
        )
    if refused:
        raise SettingsError([*refused, *(Problem("release", "", str(each), "") for each in failed)])
    if failed:
        raise StorageError("\n".join(map(str, failed)))


def _choose_of_batch(root: Root, batch: str, held_for: list[str], *, is_changed: bool) -> list[str]:
    """Return the jobs of a batch that are held for the reasons that a person names.

    Nothing is released for a reason that nobody has named: without any, all are listed.
    """
    from hotfolder.batch.summary import count_reasons, find_held_jobs, split_held

    held = find_held_jobs(root, batch)
    reasons = count_reasons(held)
    if not held:
        print_plain(f"Nothing of {batch} is held.")
        return []
    for code in held_for:
        if code not in reasons:
            raise SettingsError([Problem("--held-for", "", code, ", ".join(reasons))])
    if not held_for:
        _list_reasons(root, batch, reasons)
        raise typer.Exit(NOTHING_RELEASED)
    together, alone = split_held(held, held_for, is_changed=is_changed)
    for line in alone:
        print_line(f"Not released: {line}")
    if not together:
        raise typer.Exit(NOTHING_RELEASED)
    return [record.job for record in together]


def _list_reasons(root: Root, batch: str, reasons: dict[str, list[Record]]) -> None:
    from hotfolder.batch.summary import list_batch_ways

    for code, records in reasons.items():
        print_plain(f"{len(records)} held for {code}:")
        for record in records[:_MOST_SHOWN]:
            said = next(each.message for each in record.reasons if each.code == code)
            where = ""
            if record.placement:
                where = f", page {record.placement.page}, {record.placement.placement}"
            print_line(f"  {record.source}{where} ({record.job})")
            print_line(f"      {said}")
        if len(records) > _MOST_SHOWN:
            print_plain(f"  and {len(records) - _MOST_SHOWN} more")
        ways = list_batch_ways(records, code, batch, str(root.path))
        for way in ways:
            print_line(f"  To release {way.number} of them ({way.says}): {way.command}")
        if not ways:
            print_plain("  They are released one by one; the why.txt of each says how.")
    print_plain("Nothing was released.")
