"""A test strip: ``strip-places`` finds pieces that tell most, ``strip-sheet`` lays them out.

`hotfolder strip` runs the two one after the other: the first in the destination's own chain, before
the conversion; the second on the pixels that came out of it.
"""

from hotfolder_stages.test_strip.places import StripPlaces, StripPlacesSettings
from hotfolder_stages.test_strip.sheet import StripSheet, StripSheetSettings

__all__ = ["StripPlaces", "StripPlacesSettings", "StripSheet", "StripSheetSettings"]
