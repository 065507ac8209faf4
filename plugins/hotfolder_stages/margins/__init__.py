"""The stage ``margins``: unprinted paper around the picture, with marks for cutting and words."""

from hotfolder_stages.margins.settings import MarginsSettings
from hotfolder_stages.margins.stage import Margins

__all__ = ["Margins", "MarginsSettings"]
