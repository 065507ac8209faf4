"""The parts of the chaos run."""
