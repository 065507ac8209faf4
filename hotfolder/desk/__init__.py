"""The desk: a page on this machine where a person sees what goes on and decides.

It is a process of its own. It reads the ledger by a connection that cannot write and what the
daemon says of itself; what a person decides it hands over as the commands do (`ending.decision`),
and shows what the daemon made of it. Without it everything works as before.

`guard` lets in who has the secret and nobody else; `pages` puts the routes together.
"""
