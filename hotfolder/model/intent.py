"""The rendering intents of ICC.1:2022."""

from __future__ import annotations

from enum import StrEnum


class Intent(StrEnum):
    """Rendering intents (ICC.1:2022, 6.2); `code` is the number of table 23."""

    PERCEPTUAL = "perceptual"
    RELATIVE_COLORIMETRIC = "relative colorimetric"
    SATURATION = "saturation"
    ABSOLUTE_COLORIMETRIC = "absolute colorimetric"

    @property
    def code(self) -> int:
        """The number in a profile's header and in calls of an engine."""
        return list(Intent).index(self)
