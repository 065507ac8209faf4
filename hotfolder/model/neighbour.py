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

    def misses(self, said: Mapping[str, Json]) -> bool:
        """Whether it was delivered without what is said of another, though that suits it better.

        Only what both say is compared; a picture that says nothing of that misses what it went
        without. See `Stage.shares`.

        Parameters
        ----------
        said
            What the same stage has said of the other.

        Returns
        -------
        False for one that was not delivered, or has something of its own.
        """
        if not self.delivered or self.gives:
            return False
        if "nearer_than" not in self.said or "at" not in said:
            return self.went_without
        at, its, limit = self.said.get("at"), said.get("at"), self.said.get("nearer_than")
        return (
            isinstance(at, int | float)
            and isinstance(its, int | float)
            and isinstance(limit, int | float)
            and self.said.get("alike") is not None
            and self.said.get("alike") == said.get("alike")
            and abs(at - its) < limit
        )

    @property
    def what(self) -> str:
        """What it gives, in words."""
        return str(self.said.get("what") or "what it could have used")

    @property
    def after(self) -> tuple[str, ...]:
        """Jobs that were delivered before it and could have used what it gives."""
        said = self.said.get("after")
        return tuple(map(str, said)) if isinstance(said, list) else ()
