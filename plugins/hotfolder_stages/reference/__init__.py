"""The stage ``reference``; see `stage`."""

from hotfolder_stages.reference.settings import ReferenceSettings
from hotfolder_stages.reference.stage import Reference

__all__ = ["Reference", "ReferenceSettings"]
