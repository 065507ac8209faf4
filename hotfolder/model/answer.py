"""What a worker leaves behind for the daemon to read."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

from hotfolder.model.failure import Failure
from hotfolder.model.records import WorkRecord


class Answer(BaseModel):
    """How an attempt at a job came out."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    verdict: Literal["deliver", "hold", "refuse", "failed", "wait"]
    """``failed`` and ``wait`` carry a message and no work.

    ``wait``: the fault is ours, not the file's (a full disk, a plugin or a setting that cannot be
    used any more); no attempt is counted.
    """
    work: WorkRecord | None = None
    message: str = ""
    not_kept: str = ""
    """Why what depends on profiles alone cannot be kept from job to job; "" when it can."""
    failure: Failure | None = None
    """Of ``failed``: the stage that raised an exception, when it was one."""
