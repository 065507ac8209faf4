"""How a job ended."""

from __future__ import annotations

from enum import StrEnum


class End(StrEnum):
    """How a job ended, as people are told it."""

    DELIVERED = "delivered"
    HELD = "held"
    """It waits for a person's decision."""
    DISCARDED = "discarded"
    """It was held, and a person gave it up."""
    REFUSED = "refused"
