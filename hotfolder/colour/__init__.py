"""Colour: ICC profiles, conversions between them, and colour differences."""
