"""A machine that pictures are worked on, as the daemon says it in its snapshot."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class MachineJob(_Model):
    """A job that a machine works on."""

    job: str
    doing: str
    share: float
    """Of the whole, 0 to 1."""


class MachineStatus(_Model):
    """A machine, as the daemon last saw it."""

    name: str
    address: str
    """"" for the machine of the daemon."""
    slots: int
    """How many jobs it works on at once."""
    doing: tuple[MachineJob, ...] = ()
    done: int = 0
    """Jobs that it has worked on since the daemon started."""
    megapixels_per_minute: float | None = None
    """Of results, while it worked on a job, times its slots; None before the first."""
    problem: str = ""
    """Why it is not asked to work; "" when it is."""
    since: str = ""
    """UTC: since when the problem is there."""
    remark: str = ""
    """What it was found to lack or to do; it is asked all the same."""
