"""What is in a hot folder, what of it has finished arriving, and taking it into the spool.

The scan is the truth. Events of the file system only wake it, so that a lost event costs time and
never a file.
"""
