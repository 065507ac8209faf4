"""A change to a row of a ticket is checked, and tried, with what its row asks for."""

from types import SimpleNamespace

import pytest

from batch.conftest import as_book, picture, sweep, ticket
from hotfolder.ending.decision import plan_change
from hotfolder.errors import SettingsError
from hotfolder.ledger.jobs import read_jobs


@pytest.mark.whole
def test_a_change_to_a_row_keeps_what_the_row_asks_for(root):
    book = as_book(root)
    picture(book, "reeds.tif")
    ticket(book, ["reeds.tif,1,,20 mm,30 mm,"])
    sweep(book)
    (row,) = read_jobs(book.ledger, ended=True)
    planned = plan_change(book, row, ["sizing.ppi=90"])
    sizing = planned.after.stage_settings["sizing"].model_dump()
    asked = row.placement.changes["sizing"]
    assert asked
    assert 90 == sizing["ppi"]
    assert all(planned.after.file.stage["sizing"][key] == value for key, value in asked.items())


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("margins.border=20 mm", 'put "margins" into `stages` of '),
        ("marginz.border=20 mm", "a stage that `stages` names: "),
    ],
)
def test_a_stage_that_the_destination_has_not_is_told_as_that(root, change, says):
    row = SimpleNamespace(destination="fine-art-canvas", placement=None, record=None)
    with pytest.raises(SettingsError) as refused:
        plan_change(root, row, [change])
    (problem,) = refused.value.problems
    assert ("--set", change.split(".")[0]) == (problem.file, problem.key.removeprefix("stage."))
    assert "take this table out" not in str(problem)
    assert says in problem.allowed
    assert "gamut-check" in problem.allowed
