"""What a question can be answered by: the choices that the command line offers.

Apart from the question itself, which needs the ledger: `hotfolder --help` shows them.
"""

from __future__ import annotations

from enum import StrEnum


class Sort(StrEnum):
    """Ways to sort. Times and numbers come largest first, words from A."""

    TIME = "time"
    LOST = "lost"
    DELTA_E = "delta-e"
    NAME = "name"
    DESTINATION = "destination"
    WORK = "work"


class Group(StrEnum):
    """What pictures are put together by.

    Months are of local time; media are the surfaces that the destinations' settings say.
    """

    DESTINATION = "destination"
    MEDIUM = "medium"
    MONTH = "month"
    PROFILE = "profile"
    REASON = "reason"
    """Why pictures that a person released had been held; those of several reasons count in each."""


class Statistic(StrEnum):
    """Of the ΔE00 of all pixels of a picture."""

    MEAN = "mean"
    P95 = "p95"
    MAX = "max"
