"""``python -m hotfolder``: the same as the command."""

from hotfolder.cli.main import main

main()
