"""What our own storage keeps waiting: since when, how often it was tried, and when it is next."""

from __future__ import annotations

import time
from dataclasses import dataclass

from hotfolder.errors import StorageError
from hotfolder.logs import get_log, utc_now

_RETRY_S = (1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
_SWEEP_TRIES = 3


@dataclass
class Trouble:
    """A job, a file or a folder that our own storage keeps waiting."""

    message: str
    since: str
    tries: int = 0
    not_before: float = 0.0

    @property
    def lasts(self) -> bool:
        """Whether it was tried often enough for a sweep to wait no longer."""
        return self.tries >= _SWEEP_TRIES


class Troubles:
    """All that is in trouble now: jobs by their ids, and what keeps files from being claimed."""

    def __init__(self) -> None:
        self.jobs: dict[str, Trouble] = {}
        self.claims: dict[str, Trouble] = {}

    def all(self) -> list[tuple[str, Trouble]]:
        """What is in trouble, and how."""
        return [*list(self.jobs.items()), *list(self.claims.items())]

    def note(self, where: dict[str, Trouble], key: str, error: StorageError) -> None:
        """Remember that something failed; it is said when it is new."""
        trouble = where.setdefault(key, Trouble(str(error), utc_now()))
        if trouble.tries == 0 or trouble.message != str(error):
            get_log().error("storage.trouble", about=key, reason=str(error))
        trouble.message = str(error)
        trouble.not_before = time.monotonic() + _RETRY_S[min(trouble.tries, len(_RETRY_S) - 1)]
        trouble.tries += 1
