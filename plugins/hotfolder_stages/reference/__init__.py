"""The stage ``reference``; see `stage`."""

from hotfolder_stages.reference.stage import Reference, ReferenceSettings

__all__ = ["Reference", "ReferenceSettings"]
