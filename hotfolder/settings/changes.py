"""Settings of one picture: a destination's file with changes that a person or a ticket asks for."""

from __future__ import annotations

from collections.abc import Mapping


def with_changes(
    raw: Mapping[str, object], changes: Mapping[str, Mapping[str, object]]
) -> dict[str, object]:
    """A destination's file with a release's changes to its stages' settings."""
    own = raw.get("stage")
    stages: dict[str, object] = {**own} if isinstance(own, Mapping) else {}
    for stage, settings in changes.items():
        before = stages.get(stage)
        stages[stage] = {**(before if isinstance(before, Mapping) else {}), **settings}
    return {**raw, "stage": stages} if stages else dict(raw)
