"""The stages ``reference`` and ``neutral-places``; see `stage` and `whites_stage`."""

from hotfolder_stages.reference.settings import ReferenceSettings
from hotfolder_stages.reference.stage import Reference
from hotfolder_stages.reference.whites_stage import NeutralPlaces, NeutralSettings

__all__ = ["NeutralPlaces", "NeutralSettings", "Reference", "ReferenceSettings"]
