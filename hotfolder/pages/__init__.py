"""What all pages have in common: style, policy, templates, tables.

What is exported here is for stages that make a page; the modules below are the program's own.
"""

from hotfolder.pages.frame import load_template, source_hash, style, text_of

__all__ = ["load_template", "source_hash", "style", "text_of"]
