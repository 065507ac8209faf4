"""The rendering intents of ICC.1:2022."""

from __future__ import annotations

from enum import StrEnum


class Intent(StrEnum):
    """Rendering intents (ICC.1:2022, 6.2); `code` is the number of table 23."""

    PERCEPTUAL = "perceptual"
    """All colours give way together."""

    RELATIVE_COLORIMETRIC = "relative colorimetric"
    """What fits stays, relative to the white; the rest becomes the nearest that fits."""

    SATURATION = "saturation"
    """Colours stay vivid."""

    ABSOLUTE_COLORIMETRIC = "absolute colorimetric"
    """What fits stays, white included."""

    @property
    def code(self) -> int:
        """The number in a profile's header and in calls of an engine."""
        return list(Intent).index(self)
