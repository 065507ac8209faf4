"""Prints that were measured: control strips, reading what an instrument wrote, verdicts, drift."""
