"""The commands: what they ask for, what they print, and what they exit with."""
