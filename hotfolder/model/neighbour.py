"""What a stage has said of other pictures of the same shoot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from hotfolder.model.facts import Json


@dataclass(frozen=True)
class Neighbour:
    """Another picture of the same folder or batch that has been worked on, and what was said of it.

    See Also
    --------
    Job.neighbours, Stage.shares
    """

    job: str
    """Its job."""

    name: str
    """Its path below the hot folder, as text."""

    delivered: bool
    """Whether it was delivered; else it is held, or was given up."""

    said: Mapping[str, Json]
    """What the stage has said of it for others."""

    @property
    def gives(self) -> bool:
        """Whether others can use what was said."""
        return self.said.get("gives") is True

    @property
    def went_without(self) -> bool:
        """Whether it was delivered with nothing of its own and nothing of another picture."""
        return self.delivered and not self.gives and not self.said.get("served_by")

    @property
    def what(self) -> str:
        """What it gives, in words."""
        return str(self.said.get("what") or "what it could have used")

    @property
    def after(self) -> tuple[str, ...]:
        """Jobs that were delivered before it and could have used what it gives."""
        said = self.said.get("after")
        return tuple(map(str, said)) if isinstance(said, list) else ()
