"""Settings of one picture: a destination's file with changes that a person or a ticket asks for."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any


def with_changes(
    raw: Mapping[str, Any], changes: Mapping[str, Mapping[str, Any]]
) -> dict[str, Any]:
    """A destination's file with a release's changes to its stages' settings."""
    changed = copy.deepcopy(dict(raw))
    for stage, settings in changes.items():
        changed.setdefault("stage", {}).setdefault(stage, {}).update(settings)
    return changed
