"""A new root for tests."""

from __future__ import annotations

from pathlib import Path

from hotfolder.overview.new_root import make_root
from hotfolder.settings.root import Root


def make_quick_root(path: Path, profiles: Path) -> Root:
    """Make a new root whose files have arrived after moments."""
    (path / "profiles").mkdir(parents=True)
    for profile in profiles.iterdir():
        (path / "profiles" / profile.name).write_bytes(profile.read_bytes())
    make_root(path)
    settings = path / "hotfolder.toml"
    text = settings.read_text().replace('quiet = "2 s"', 'quiet = "0.1 s"')
    settings.write_text(text.replace('patience = "60 s"', 'patience = "0.3 s"'))
    return Root(path)
