"""A change to a row of a ticket is checked, and tried, with what its row asks for."""

import pytest

from batch.conftest import as_book, picture, sweep, ticket
from hotfolder.ending.decision import plan_change
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
