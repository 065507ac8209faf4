"""Each kind of hold: the commands that ``why.txt`` prints are run, and the picture is delivered."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
import tifffile

from faults.serving import sweep
from hotfolder.colour.loss import Route, losses
from hotfolder.colour.profile import Profile
from hotfolder.model.rendering import Rendering
from hotfolder_demo import profiles
from reference.devices import random_pixels
from whole.conftest import drop, picture, records, write_destination

pytestmark = pytest.mark.whole

PRINTED = re.compile(r"^    (hotfolder release .*)$", re.MULTILINE)
SIZING = "[stage.sizing]"


def _few_pixels(root):
    write_destination(root, **{SIZING: f"[stage.preflight]\nhold_below_ppi = 60\n{SIZING}"})
    drop(root, "mud.tif")  # 144 px on 8 cm: 46 to the inch


def _few_pixels_in_a_place(root):
    write_destination(
        root,
        **{
            SIZING: f"[stage.preflight]\nhold_below_ppi = 60\n{SIZING}",
            'long_edge = "8 cm"': 'width = "8 cm"\nheight = "8 cm"\nmode = "cover"',
        },
    )
    drop(root, "mud.tif")


def _few_pixels_on_paper(root):
    write_destination(
        root,
        **{
            SIZING: f"[stage.preflight]\nhold_below_ppi = 60\n{SIZING}",
            'long_edge = "8 cm"': 'paper = "A7"\nmode = "exact"',
        },
    )
    drop(root, "mud.tif")


def _no_profile(root):
    write_destination(root)
    drop(root, "mud.tif", profile=False)


def _no_profile_with_one_to_assume(root):
    text = f'[stage.preflight]\nassume_rgb = "srgb.icc"\n{SIZING}'
    write_destination(root, **{SIZING: text})
    drop(root, "mud.tif", profile=False)


def _wide_wrap(root):
    wrap = f'{SIZING}\nwrap = "9 cm"'
    write_destination(root, **{SIZING: wrap})
    drop(root, "mud.tif")


def _gamut(root):
    write_destination(
        root,
        **{
            '"output-sharpening",': '"gamut-check", "output-sharpening",',
            SIZING: f'[stage.gamut-check]\nhold_above = "0 %"\n{SIZING}',
        },
    )
    drop(root, "mud.tif")


def _gamut_of_the_table(root):
    """A colour that the profile's table loses, and refined makes."""
    write_destination(
        root,
        **{
            "matte-canvas.icc": "coated-book.icc",
            '"output-sharpening",': '"gamut-check",',
            SIZING: f'[stage.gamut-check]\nhold_above = "0 %"\n{SIZING}',
        },
    )
    medium = Profile.load(root.profiles / "coated-book.icc")
    source = Profile.parse(profiles.srgb())
    codes = random_pixels(3, 4000)[0] // 257 * 257
    by_table, refined = (
        losses(Route(source, medium, rendering=each), codes)[0]
        for each in (Rendering.INTENT, Rendering.REFINED)
    )
    can = refined < 2
    assert by_table[can].max() > 3.5
    colour = codes[can][by_table[can].argmax()]
    _write(root, np.tile(colour, (96, 144, 1)), profiles.srgb())


def _clipped(root):
    write_destination(root, **{SIZING: f'[stage.preflight]\nhold_above_clipped = "0 %"\n{SIZING}'})
    pixels = picture(None)
    pixels[:40] = 65535
    path = root.path / "in/fine-art-canvas/mud.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=profiles.srgb())


def _much_ink(root):
    write_destination(
        root,
        **{
            "matte-canvas.icc": "coated-book.icc",
            '"tagging"': '"ink-check", "tagging"',
            SIZING: f'[stage.ink-check]\nlimit_percent = 120\nhold_above_share = "0 %"\n{SIZING}',
        },
    )
    drop(root, "mud.tif")


def _cast(root):
    write_destination(
        root,
        **{
            '"output-sharpening",': '"output-sharpening", "neutral-check",',
            SIZING: f"[stage.neutral-check]\nhold_above_cast = 0.1\n{SIZING}",
        },
    )
    grey = np.repeat(picture(None)[..., :1], 3, axis=-1)
    _write(root, grey, profiles.srgb())


def _cut(root):
    write_destination(root)
    pixels = np.float32(picture(None) / 65535)
    pixels[:10] = 1.5
    _write(root, pixels, profiles.srgb())


def _not_square(root):
    write_destination(root)
    _write(root, picture(None), profiles.srgb(), resolution=(300, 150), resolutionunit="INCH")


def _another_kind_of_profile(root):
    write_destination(root)
    _write(root, picture(None), (root.profiles / "coated-book.icc").read_bytes())


def _another_kind_of_profile_without_preflight(root):
    write_destination(root, **{'"preflight", ': ""})
    _write(root, picture(None), (root.profiles / "coated-book.icc").read_bytes())


def _profile_that_cannot_be_converted_to(root):
    write_destination(root)
    data = (root.profiles / "matte-canvas.icc").read_bytes()
    (root.profiles / "matte-canvas.icc").write_bytes(
        data[:128] + data[128:].replace(b"B2A", b"b2a", 3)
    )
    drop(root, "mud.tif")


def _write(root, pixels, icc, **options):
    path = root.path / "in/fine-art-canvas/mud.tif"
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=icc, metadata=None, **options)


HOLDS = {
    "too-few-pixels": (_few_pixels, 2),
    "too-few-pixels in a place": (_few_pixels_in_a_place, 2),
    "too-few-pixels on paper": (_few_pixels_on_paper, 2),
    "no-profile": (_no_profile, 1),
    "no-profile with one to assume": (_no_profile_with_one_to_assume, 1),
    "wrap-too-wide": (_wide_wrap, 2),
    "gamut-loss": (_gamut, 1),
    "gamut-loss of the table": (_gamut_of_the_table, 2),
    "clipped": (_clipped, 1),
    "too-much-ink": (_much_ink, 1),
    "colour-cast": (_cast, 1),
    "values-cut": (_cut, 3),
    "pixels-not-square": (_not_square, 1),
    "profile-unusable": (_another_kind_of_profile, 1),
}


def commands(record):
    why = (Path(record["original_kept"]).parent / "why.txt").read_text()
    return [each for each in PRINTED.findall(why) if "STAGE.KEY" not in each]


@pytest.mark.parametrize(
    ("kind", "number"),
    [(kind, number) for kind, (_, count) in HOLDS.items() for number in range(count)],
)
def test_what_why_txt_advises_delivers_the_picture(small, hotfolder, kind, number):
    make, count = HOLDS[kind]
    make(small)
    assert sweep(small) == []
    (record,) = records(small)
    assert ("held", kind.split()[0]) == (record["state"], record["reasons"][0]["code"])
    printed = commands(record)
    assert count == len(printed), printed
    done = hotfolder(*shlex.split(printed[number])[1:])
    assert done.returncode == 0, done.stderr
    assert sweep(small) == []
    assert "delivered" == records(small)[-1]["state"]


def test_a_size_that_is_advised_is_the_largest_that_passes(small, hotfolder):
    _few_pixels(small)
    assert sweep(small) == []
    (record,) = records(small)
    words = shlex.split(commands(record)[1])
    assert "--long-edge" in words
    assert hotfolder(*words[1:]).returncode == 0
    assert sweep(small) == []
    made = records(small)[-1]
    assert [] == made["reasons"]  # it passes by itself
    assert 60 <= made["facts"]["effective_ppi"] < 62


def test_a_change_that_makes_it_worse_is_held_again_and_says_so(small, hotfolder):
    _few_pixels(small)
    assert sweep(small) == []
    (record,) = records(small)
    assert hotfolder("release", record["job"], small.path, "--long-edge", "40 cm").returncode == 0
    assert sweep(small) == []
    again = records(small)[-1]
    assert "held" == again["state"]
    assert ["made-worse", "too-few-pixels"] == [each["code"] for each in again["reasons"]]
    said = again["reasons"][0]["message"]
    assert "but the reason that follows is worse than you were told." in said, said
    told = again["reasons"][1]["message"].partition(". ")[0]
    assert told not in said
    # now the person was told, and what was seen is delivered, with what was changed in the record
    seen = again["results"][0]["sha256"]
    assert hotfolder("release", record["job"], small.path).returncode == 0
    assert sweep(small) == []
    last = records(small)[-1]
    assert ("delivered", seen) == (last["state"], last["results"][0]["sha256"])
    assert {"sizing": again["release"]["changes"]["sizing"]} == last["release"]["changes"]


def test_what_is_worse_can_be_accepted_beforehand(small, hotfolder):
    _few_pixels(small)
    assert sweep(small) == []
    (record,) = records(small)
    done = hotfolder(
        "release", record["job"], small.path, "--long-edge", "40 cm", "--accept"
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert sweep(small) == []
    assert "delivered" == records(small)[-1]["state"]


def test_a_release_does_not_waive_what_the_person_was_not_told_of(small, hotfolder):
    write_destination(
        small,
        **{
            '"output-sharpening",': '"gamut-check", "output-sharpening",',
            SIZING: f'[stage.gamut-check]\nhold_above = "0 %"\n{SIZING}',
        },
    )
    drop(small, "mud.tif", profile=False)
    assert sweep(small) == []
    (record,) = records(small)
    assert ["no-profile"] == [each["code"] for each in record["reasons"]]
    assert hotfolder(*shlex.split(commands(record)[0])[1:]).returncode == 0
    assert sweep(small) == []
    again = records(small)[-1]
    assert "held" == again["state"]
    said = again["reasons"][0]["message"]
    assert "but the reason that follows is new." in said, said


def test_a_job_without_a_result_is_not_said_to_be_released(small, hotfolder):
    _no_profile(small)
    assert sweep(small) == []
    (record,) = records(small)
    done = hotfolder("release", record["job"], small.path)
    assert 4 == done.returncode
    said = " ".join(done.stderr.split())
    assert "cannot be released as it is" in said
    assert "--set preflight.no_profile=assume" in said
    assert Path(record["original_kept"]).is_file()


def test_values_in_the_record_are_of_the_schema(small):
    _few_pixels(small)
    assert sweep(small) == []
    (record,) = records(small)
    reason = record["reasons"][0]
    assert reason["excess"] == pytest.approx(60 / 45.7, rel=0.02)
    assert ["--long-edge"] == reason["ways_on"][0]["options"][:1]
    json.dumps(record)
    assert np.isfinite(reason["excess"])


def test_a_picture_is_released_by_its_name_where_one_alone_is_called_so(small, hotfolder):
    _few_pixels(small)
    drop(small, "a/reeds.tif", seed=2)
    drop(small, "b/reeds.tif", seed=3)
    assert sweep(small) == []
    several = hotfolder("release", "reeds.tif", small.path)
    assert 4 == several.returncode
    assert "2 held jobs are called so; name the one you mean: " in several.stderr
    assert "allowed" not in several.stderr
    nobody = hotfolder("discard", "reed.tif", small.path)
    assert "no held job is called so" in nobody.stderr
    nobody = hotfolder("release", "reed.tif", small.path)
    assert 4 == nobody.returncode
    assert "no held job is called so" in nobody.stderr
    done = hotfolder("release", "MUD", "b/reeds.tif", small.path)
    assert 0 == done.returncode, done.stderr
    assert sweep(small) == []
    made = {each["source"] for each in records(small) if each["state"] == "delivered"}
    assert {"mud.tif", "b/reeds.tif"} == made


@pytest.mark.parametrize(
    ("code", "make"),
    [
        ("no-profile", _another_kind_of_profile_without_preflight),
        ("profiles-do-not-join", _profile_that_cannot_be_converted_to),
    ],
)
def test_a_hold_that_no_command_answers_prints_none(small, code, make):
    make(small)
    assert sweep(small) == []
    (record,) = records(small)
    assert ("held", code) == (record["state"], record["reasons"][0]["code"])
    why = (Path(record["original_kept"]).parent / "why.txt").read_text()
    assert "cannot be released as it is" in why
    assert PRINTED.findall(why) == []


def test_status_and_release_say_what_a_person_reads(small, hotfolder):
    write_destination(small, **{SIZING: f"[stage.preflight]\nhold_below_ppi = 60\n{SIZING}"})
    drop(small, "march/mud.tif")
    assert sweep(small) == []
    assert "fine-art-canvas: march/mud.tif (" in hotfolder("status", small.path).stdout
    done = hotfolder("release", "mud.tif", small.path, "--long-edge", "6 cm")
    assert 'is released with sizing.long_edge = "6 cm"' in done.stdout
    assert "{" not in done.stdout
