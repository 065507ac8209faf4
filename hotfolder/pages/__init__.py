"""What all pages have in common: style, policy, templates, tables.

What is exported here is for stages that make a page; the modules below are the program's own.
"""

from hotfolder.pages.frame import load_template, source_hash, style, text_of
from hotfolder.pages.numbers import pack_numbers
from hotfolder.pages.words import describe_standing, describe_viewing

__all__ = [
    "describe_standing",
    "describe_viewing",
    "load_template",
    "pack_numbers",
    "source_hash",
    "style",
    "text_of",
]
