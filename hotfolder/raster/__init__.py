"""Pixels: what a picture is (`RasterSpec`), how it moves (`Band`), how it is read and written."""

from hotfolder.raster.picture import Band, Encoding, Metadata, RasterSpec

__all__ = ["Band", "Encoding", "Metadata", "RasterSpec"]
