"""Ranking destinations for a picture, and taking pictures out of proof sheets."""

from dataclasses import replace
from pathlib import Path

import pytest

from hotfolder.model.units import Money
from hotfolder.settings.root import Root
from hotfolder.stages.roles import Rectangle
from hotfolder.work.comparison import MOST_SHOWN, Candidate, page, pictures_of, ranked

DESK = Root(Path("/the desk"))
URI = "data:image/jpeg;base64,/9j/4AAQ"


def candidate(name, moved, lost=0.0, **more):
    given = {"title": name.title(), "rank": None, "end": "delivered", "reasons": ()}
    figures = {"tolerance": 3.0, "moved_p95": moved, "black": 10.0, "size_px": (40, 30)}
    values = {**given, "lost_share": lost, "moved": moved, **figures, **more}
    return Candidate(destination=name, **values)


def test_what_moves_colours_least_comes_first_and_equal_ones_share_a_rank():
    found = [candidate("c", 6.0), candidate("a", 2.0, 0.2), candidate("b", 2.0, 0.2),
             candidate("d", 2.0, 0.1)]  # fmt: skip
    order = [(each.destination, each.rank) for each in ranked(found)]
    assert [("d", 1), ("a", 2), ("b", 2), ("c", 4)] == order


def test_what_made_no_print_comes_last_without_a_rank():
    refused = Candidate("z", "Z", None, "refused", ("It is no picture.",))
    order = ranked([refused, candidate("c", 6.0)])
    assert [("c", 1), ("z", None)] == [(each.destination, each.rank) for each in order]
    said = page("mud.tif", order, DESK)
    assert "It is no picture." in said
    assert "Only C could be tried." in said


def test_the_command_of_a_page_is_for_the_root():
    said = page("mud.tif", ranked([candidate("c", 6.0)]), DESK)
    assert "hotfolder strip IMAGE --for NAME &#39;/the desk&#39;" in said


def test_only_pictures_are_taken_out_of_a_sheet():
    sheet = (
        f'<img data-view="map" src="{URI}"><img data-view="finished" src="file:///etc/passwd">'
        f'<img src="{URI}"><img data-view="medium" src=\'{URI}"><script>\'>'
    )
    assert {"map": URI} == pictures_of(sheet)


def test_a_page_holds_only_as_many_as_can_be_judged(tmp_path):
    views = ("finished", "medium", "adapted", "map")
    sheet = tmp_path / "sheet.html"
    sheet.write_text("".join(f'<img data-view="{view}" src="{URI}">' for view in views))
    found = ranked(
        candidate(f"n{number}", float(number), sheet=sheet) for number in range(MOST_SHOWN + 2)
    )
    said = page("<script>mud", found, DESK)
    assert MOST_SHOWN == said.count("As it comes out <span")
    assert f"The {MOST_SHOWN} that keep most are shown." in said
    assert "<script" not in said
    assert len(found) == said.count('<th scope="row">')


@pytest.mark.parametrize(
    "face", [None, {"left_px": 5, "top_px": 4, "width_px": 30, "height_px": 22}]
)
def test_fold_and_trim_are_drawn_on_the_map(tmp_path, face):
    views = ("finished", "medium", "adapted", "map")
    sheet = tmp_path / "sheet.html"
    sheet.write_text("".join(f'<img data-view="{view}" src="{URI}">' for view in views))
    said = page(
        "mud", ranked([candidate("a", 1.0, sheet=sheet, face=face and Rectangle(**face))]), DESK
    )
    drawn = '<rect class="face" x="5" y="4" width="30" height="22"'
    assert (face is not None, face is not None) == (drawn in said, "dashed line" in said)


@pytest.mark.parametrize("money", [None, Money(12.5, "GBP")])
def test_the_summary_is_plain_json_values(money):
    summary = replace(candidate("a", 2.0), cost=money, print_mm=(10.0, 20.0)).summary()
    expected = None if money is None else {"amount": 12.5, "currency": "GBP"}
    assert expected == summary["material_cost"]
    assert [10.0, 20.0] == summary["print_mm"]
