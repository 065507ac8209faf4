"""The built-in stages, one room each."""
