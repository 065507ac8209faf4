"""Stage ``profile-conversion``: the picture's colours in the numbers of the destination."""

from hotfolder_stages.profile_conversion.stage import ProfileConversion, ProfileConversionSettings

__all__ = ["ProfileConversion", "ProfileConversionSettings"]
