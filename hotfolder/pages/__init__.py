"""What all pages have in common: style, policy, templates, tables.

What is exported here is for stages that make a page; the modules below are the program's own.
"""

from typing import TYPE_CHECKING

from hotfolder.lazily import load_exports

if TYPE_CHECKING:
    from hotfolder.pages.frame import load_template, source_hash, style, text_of
    from hotfolder.pages.numbers import pack_numbers
    from hotfolder.pages.words import describe_standing, describe_viewing, title_standing
else:
    __getattr__ = load_exports(__name__)

__all__ = [
    "describe_standing",
    "describe_viewing",
    "load_template",
    "pack_numbers",
    "source_hash",
    "style",
    "text_of",
    "title_standing",
]
