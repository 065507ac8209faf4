"""A stage that failed: whose fault it is, and what its author needs to mend it.

A worker leaves it in its answer; the daemon keeps it beside the held picture as a text file.
"""

from __future__ import annotations

import traceback
from collections.abc import Mapping

from pydantic import BaseModel, ConfigDict

from hotfolder.errors import StageError

FAILURE_FILE = "failure.txt"
"""Beside a held picture: what to send to whoever wrote the stage."""

_MOST_CHARACTERS = 64_000


class Failure(BaseModel):
    """What went wrong in a stage."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    stage: str
    """Its name."""

    owner: str
    """Where the stage comes from: a package, or a file in ``plugins/``."""

    error: str
    """The exception's type and message, on one line."""

    kind: str
    """The exception's type."""

    where: str
    """The innermost line of code: file, number, function."""

    trace: str
    """The whole traceback."""

    @classmethod
    def of(cls, error: StageError, owners: Mapping[str, str]) -> Failure:
        """Describe what a stage raised, or how it broke its contract.

        Parameters
        ----------
        error
            As the runner raised it; the stage's own exception is its cause.
        owners
            Where each stage comes from.
        """
        raised = error.__cause__ or error
        frames = traceback.extract_tb(raised.__traceback__)
        last = frames[-1] if frames else None
        said = " ".join(str(raised).split())
        return cls(
            stage=error.stage,
            owner=owners.get(error.stage, "unknown"),
            error=f"{type(raised).__name__}: {said}"[:1000],
            kind=type(raised).__name__,
            where=f"{last.filename}, line {last.lineno}, in {last.name}" if last else "",
            trace="".join(traceback.format_exception(error))[-_MOST_CHARACTERS:],
        )

    def is_same_as(self, other: Failure | None) -> bool:
        """Whether it is the same exception at the same line, so that trying again is no use."""
        return other is not None and (self.stage, self.kind, self.where) == (
            other.stage,
            other.kind,
            other.where,
        )

    def message(self) -> str:
        """Say it on one line, with the place in the code."""
        at = f" ({self.where})" if self.where else ""
        return f"The stage {self.stage} failed: {self.error}{at}; the picture is fine."

    def advice(self, name: str, destination: str) -> str:
        """Tell a photographer whose fault it is, and what to do.

        Parameters
        ----------
        name
            Of the picture.
        destination
            In whose file the stage is named.
        """
        return (
            f"The stage {self.stage} failed ({self.error}); your picture {name} is fine. "
            f"Send {FAILURE_FILE} in this folder to whoever wrote the stage "
            f"({self.owner}). Once it is fixed, or once you have taken {self.stage} out of "
            f"`stages` in {destination}.toml, release the picture."
        )

    def text(self, job: str, versions: Mapping[str, str]) -> str:
        """Return what `FAILURE_FILE` holds.

        Parameters
        ----------
        job
            The held job.
        versions
            Of what touches pixels, by package.
        """
        used = ", ".join(f"{name} {version}" for name, version in versions.items())
        return (
            f"The stage {self.stage} of {self.owner} failed in job {job}.\n"
            f"{self.error}\n\n{self.trace}\nVersions: {used}\n"
        )
