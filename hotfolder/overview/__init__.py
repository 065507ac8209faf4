"""Answers about a root from outside the daemon: is it right, what waits, making a new one."""
