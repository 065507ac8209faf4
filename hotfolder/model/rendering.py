"""How colours find their way into a medium: as an engine makes them, or by a search of our own."""

from __future__ import annotations

from enum import StrEnum


class Rendering(StrEnum):
    """Where the device values of a colour come from."""

    INTENT = "intent"
    """From the table of the destination's profile for the rendering intent."""

    REFINED = "refined"
    """From a search by what the profile measured, which begins at the table's answer: relative
    colorimetric, nearer to the picture's colours, with no more ink."""
