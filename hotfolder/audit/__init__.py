"""The audit: what was lost, where and when, the story of one file, and whether all is still so.

Everything here only reads: the ledger (by a connection that cannot write), the logs, and the files
that records speak of. It answers while a daemon serves the root.
"""
