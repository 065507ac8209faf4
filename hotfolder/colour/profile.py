"""ICC profiles as values: bytes, a description, and what kind they are."""
