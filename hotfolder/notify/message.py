"""Putting what there is to be told into one message: as JSON for programs, as text for people.

config/WEBHOOK.md documents the JSON; a field that is there stays, and means what it means.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from hotfolder.disk.names import display_name
from hotfolder.notify.matters import Kind, Matter
from hotfolder.pages.words import local_time

FORMAT: Final = "hotfolder-notice"
VERSION: Final = 1
MOST_LISTED: Final = 40
"""So many things are listed in a message; of the others it says how many there are."""

_MOST_SAID = 600
_WORDS: Final = {
    Kind.HELD: ("1 picture waits for you", "{} pictures wait for you"),
    Kind.BATCH: ("1 batch has ended", "{} batches have ended"),
    Kind.AWAY: ("1 destination cannot be reached", "{} destinations cannot be reached"),
    Kind.TROUBLE: ("1 thing is in the way", "{} things are in the way"),
    Kind.MEDIUM: ("1 medium is off", "{} media are off"),
    Kind.MEDIUM_BACK: ("1 medium is good again", "{} media are good again"),
    Kind.WARNED: ("1 delivered with a warning", "{} delivered with warnings"),
    Kind.REFUSED: ("1 picture was refused", "{} pictures were refused"),
    Kind.DELIVERED: ("1 picture was delivered", "{} pictures were delivered"),
}
_ORDER: Final = (
    Kind.TROUBLE, Kind.AWAY, Kind.MEDIUM, Kind.HELD, Kind.REFUSED, Kind.BATCH, Kind.MEDIUM_BACK,
    Kind.WARNED, Kind.DELIVERED,
)  # fmt: skip


class Item(BaseModel):
    """One thing, as it stands in a message."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: str
    kind: Kind
    destination: str
    title: str
    name: str
    job: str
    says: str
    since: str


class Body(BaseModel):
    """A message."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: str = FORMAT
    version: int = VERSION
    kind: Literal["matters", "digest", "test"]
    root: str
    """Name of the root's folder, and nothing of where it is."""
    made: str
    """UTC."""
    summary: str
    counts: dict[Kind, int]
    items: tuple[Item, ...]
    not_listed: int = 0


@dataclass(frozen=True)
class Mail:
    """A message as text."""

    subject: str
    text: str


def make_body(
    kind: Literal["matters", "digest", "test"],
    root: str,
    made: str,
    matters: Sequence[tuple[Matter, str]],
) -> Body:
    """Make a message.

    Parameters
    ----------
    kind
        ``matters``, as they come; ``digest``, once a day; or ``test``.
    root
        Name of the root's folder.
    made
        When, in UTC.
    matters
        What is to be told, each with its id, described as far as it is listed.
    """
    in_order = sorted(matters, key=lambda each: _ORDER.index(each[0].kind))
    counts = {
        kind_of: number
        for kind_of in _ORDER
        if (number := sum(each.kind is kind_of for each, _ in matters))
    }
    listed = [
        Item(
            id=own,
            kind=each.kind,
            destination=each.destination,
            title=display_name(each.title),
            name=display_name(each.name),
            job=each.job,
            says=_shorten(display_name(each.says)),
            since=each.since,
        )
        for each, own in in_order[:MOST_LISTED]
    ]
    return Body(
        kind=kind,
        root=display_name(root),
        made=made,
        summary=say_counts(counts) if counts else "This is a test",
        counts=counts,
        items=tuple(listed),
        not_listed=max(0, len(in_order) - MOST_LISTED),
    )


def list_first(matters: Sequence[tuple[Matter, str]]) -> list[tuple[Matter, str]]:
    """Return those that a message lists."""
    in_order = sorted(matters, key=lambda each: _ORDER.index(each[0].kind))
    return in_order[:MOST_LISTED]


def say_counts(counts: dict[Kind, int]) -> str:
    """Say how many there are of each kind, in one line.

    Examples
    --------
    >>> say_counts({Kind.HELD: 3, Kind.BATCH: 1})
    '3 pictures wait for you; 1 batch has ended'
    """
    words = [_WORDS[kind][number != 1].format(number) for kind, number in counts.items()]
    return "; ".join(words)


def to_json(body: Body) -> str:
    """Write a message as JSON, in ASCII."""
    return json.dumps(body.model_dump(mode="json"), ensure_ascii=True, allow_nan=False)


def read_body(text: str) -> Body:
    """Read a message of the book again.

    Raises
    ------
    ValueError
        When this version does not understand it.
    """
    return Body.model_validate_json(text)


def to_mail(body: Body) -> Mail:
    """Write a message as text without any markup."""
    head = "good morning: " if body.kind == "digest" else ""
    subject = f"[{body.root}] {head}{body.summary}"
    if body.kind == "test":
        text = (
            "This is a test: `hotfolder check --notify` has sent it. Messages of this root come "
            "here.\n"
        )
        return Mail(f"[{body.root}] a test", text)
    lines: list[str] = []
    for kind in _ORDER:
        items = [each for each in body.items if each.kind is kind]
        if not items:
            continue
        lines += ["", _WORDS[kind][body.counts[kind] != 1].format(body.counts[kind])]
        for each in items:
            lines += _say_item(each)
    if body.not_listed:
        lines += ["", f"And {body.not_listed} more."]
    lines += ["", "`hotfolder status` says all of it, `hotfolder desk` shows it."]
    lines += [f"Root: {body.root}; written {local_time(body.made)}."]
    return Mail(subject, "\n".join(lines).lstrip("\n") + "\n")


def _say_item(item: Item) -> list[str]:
    where = item.title or item.destination or "the whole root"
    what = f"{item.name}, {where}" if item.name else where
    job = f" ({item.job})" if item.job else ""
    lines = [f"- {what}{job}"]
    lines += [f"  {item.says}"] if item.says else []
    lines += [f"  since {local_time(item.since)}"] if item.since else []
    return lines


def _shorten(text: str) -> str:
    return text if len(text) <= _MOST_SAID else f"{text[:_MOST_SAID]}…"
