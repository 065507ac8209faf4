"""What the numbers of a picture mean: its profile, or why nobody can say."""

from __future__ import annotations

from hotfolder.colour.profile import Profile, lab_profile
from hotfolder.errors import Hold
from hotfolder.model.encoding import Encoding
from hotfolder.raster.picture import RasterSpec


def source_profile(raster: RasterSpec) -> Profile:
    """Return the profile that gives a picture's numbers their meaning.

    Lab needs none: its numbers are colours already.

    Parameters
    ----------
    raster
        The picture.

    Returns
    -------
    Its profile.

    Raises
    ------
    Hold
        ``no-profile`` when there is none that can be used, ``wrong-profile`` when it is for
        another kind of colour.
    """
    if raster.profile is None:
        if raster.encoding is Encoding.LAB:
            return lab_profile()
        because = f": {raster.profile_problem.rstrip('.')}" if raster.profile_problem else ""
        raise Hold(
            "no-profile",
            f"The picture has no colour profile that can be used{because}. "
            f"Embed the profile it was made in and drop it again.",
        )
    if raster.profile.encoding is not raster.encoding:
        raise Hold(
            "wrong-profile",
            f"The picture is {raster.encoding.in_words}, but its colour profile "
            f"“{raster.profile.description}” is for {raster.profile.encoding.in_words}. "
            f"Embed the right profile and drop it again.",
        )
    return raster.profile
