"""What the numbers that are followed are called."""

from __future__ import annotations

from typing import Final

NUMBERS_IN_WORDS: Final = {
    "paper_l": "L* of the paper",
    "paper_a": "a* of the paper",
    "paper_b": "b* of the paper",
    "grey_l": "L* of the greys",
    "grey_a": "a* of the greys",
    "grey_b": "b* of the greys",
    "black_l": "L* of the black",
    "chroma": "chroma of the colours",
    "mean_l": "L* of all patches",
}
"""By the keys of a verdict's ``drift``."""

ENDS_IN_WORDS: Final = {
    "l": ("lighter", "darker"),
    "a": ("redder", "greener"),
    "b": ("yellower", "bluer"),
    "chroma": ("more colourful", "less colourful"),
}
"""What a rise and a fall of a number mean, by what stands behind the last ``_`` of its key."""
