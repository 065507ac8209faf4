"""The process that serves a root: look, claim, hand out, recover."""
