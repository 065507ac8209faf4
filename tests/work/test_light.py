"""What a picture says of its light, asked in a worker as a command asks it."""

import numpy as np
import pytest
from PIL import Image

from hotfolder.colour import Profile
from hotfolder.settings.files import load_destination
from hotfolder.settings.tables import Intake
from hotfolder.stages.registry import load_registry
from hotfolder.work.light import NoAnswer, make_light_profile, show_whites
from hotfolder.work.trial import workplace
from stages import chart_scenes as scenes

pytestmark = pytest.mark.slow


def told(_doing, _share):
    """Nobody looks at the progress."""


@pytest.fixture
def ask(root, tmp_path):
    """Ask about a picture of these codes, in sRGB."""
    destination = load_destination(
        root.destinations / "fine-art-canvas.toml", load_registry(), Intake()
    )

    def ask(codes, question, *more):
        image = tmp_path / "frame.jpg"
        icc = (root.profiles / "srgb.icc").read_bytes()
        Image.fromarray(codes).save(image, quality=97, subsampling=0, icc_profile=icc)
        with workplace() as folder:
            found = question(root, image, destination, folder, told, *more)
            return found, found.file.read_bytes()

    return ask


def test_a_place_that_is_pointed_at_is_shown_and_a_profile_is_made_of_a_chart(ask):
    made = scenes.scene(6, "turned", 768, size=0.4, light_name="D50")
    whites, page = ask(made.codes, show_whites, ["20%,30%"])
    assert "20.0%,30.0%" == whites.found.choices[0].white_at
    assert b"What could be white" in page
    light, data = ask(made.codes, make_light_profile, "babel_average")
    assert light.found.description == Profile.parse(data).description


def test_a_picture_without_a_chart_says_why_no_profile_is_made(ask):
    with pytest.raises(NoAnswer, match="no 24-patch chart"):
        ask(np.full((60, 60, 3), 120, np.uint8), make_light_profile, "babel_average")
