"""The parts of `soak.py`: where it happens, who drops what, what goes wrong, and the books."""
