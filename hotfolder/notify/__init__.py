"""Telling people who do not look: by mail, and by a webhook, that something waits for them.

A process of its own does it (`python -m hotfolder.notify ROOT`), which `hotfolder watch` starts
when ``hotfolder.toml`` names a way, and starts again when it dies. It reads the ledger by a
connection that cannot write, and what the daemon says of itself; no share, and nothing of the
daemon's, waits for a server that does not answer.

`matters` finds what there is to be told, `book` remembers durably what was told, `message` puts it
into words, `mail` and `webhook` send it, `teller` decides when.

A message is committed to the book before it is sent, and the fact that it was sent after it. A kill
in between sends the same message once more: it keeps its id, by which the receiver can drop it.
"""
