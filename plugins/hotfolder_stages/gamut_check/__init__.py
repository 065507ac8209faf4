"""Stage ``gamut-check``: what of the picture's colours the destination cannot make."""

from hotfolder_stages.gamut_check.stage import GamutCheck, GamutCheckSettings

__all__ = ["GamutCheck", "GamutCheckSettings"]
