"""A job's work on pixels: a process per attempt, its stages in a row, and trials of them."""
