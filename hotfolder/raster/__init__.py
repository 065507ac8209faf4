"""Pixels: what a picture is (`RasterSpec`), how it moves (`Band`), how it is read and written."""

from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import Band, Metadata, RasterSpec

__all__ = ["Band", "Encoding", "Metadata", "RasterSpec"]
