"""Strips of the demo's media, and one print of each."""

import numpy as np
import pytest

from hotfolder.measured.control_strip import make_control_strip
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from roots import make_quick_root


@pytest.fixture(scope="session")
def strips(tmp_path_factory, profiles):
    """The strips of two destinations, by name."""
    root = make_quick_root(tmp_path_factory.mktemp("strips") / "root", profiles)
    registry = load_registry()
    return {
        name: make_control_strip(
            load_destination(root.destinations / f"{name}.toml", registry, Intake())
        )
        for name in ("fine-art-canvas", "book-pages")
    }


@pytest.fixture(scope="session")
def strip(strips):
    return strips["fine-art-canvas"]


@pytest.fixture(scope="session")
def printed(strip):
    """What an instrument reads of a print that is nearly right."""
    return np.round(strip.lab + np.random.default_rng(1).normal(0, 0.3, strip.lab.shape), 4)
