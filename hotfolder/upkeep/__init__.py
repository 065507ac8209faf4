"""Keeping a root for years: copies of it, what nothing mentions, what may go."""
