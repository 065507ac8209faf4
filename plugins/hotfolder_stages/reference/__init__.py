"""The stages ``reference``, ``neutral-places``, ``light-profile`` and ``strip-photograph``."""

from hotfolder_stages.reference.light_stage import LightProfile, LightSettings
from hotfolder_stages.reference.photograph_stage import StripPhotograph, StripPhotographSettings
from hotfolder_stages.reference.settings import ReferenceSettings
from hotfolder_stages.reference.stage import Reference
from hotfolder_stages.reference.whites_stage import NeutralPlaces, NeutralSettings

__all__ = [
    "LightProfile",
    "LightSettings",
    "NeutralPlaces",
    "NeutralSettings",
    "Reference",
    "ReferenceSettings",
    "StripPhotograph",
    "StripPhotographSettings",
]
