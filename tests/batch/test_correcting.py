"""A ticket is corrected cell by cell, and everything else in it stays as it is."""

import pytest

from hotfolder.batch.correcting import CorrectionError, correct_ticket, describe_row
from hotfolder.batch.table import read_table
from hotfolder.batch.ticket import read_ticket

TICKET = (
    "Datei;Seite;Breite (cm);Höhe;Bemerkung\r\n"
    'reeds.tif;1;21,5;;"bring, it"\r\n'
    "\r\n"
    "mud.tif;2;wide;;\r\n"
    "sand.tif;3;20;30 cm;\r\n"
).encode()


def rows(data):
    return {each.number: each.cells for each in read_table(data)}


def test_only_the_cell_of_that_row_changes_and_rows_keep_their_numbers():
    made = correct_ticket(TICKET, "book.csv", 4, {"width": "210 mm"})
    before, after = rows(TICKET), rows(made)
    assert {**before, 4: ("mud.tif", "2", "210 mm", "", "")} == after
    placements = {each.row: each for each in read_ticket(made, "book.csv").placements}
    assert (215.0, 210.0, 200.0) == tuple(placements[row].width_mm for row in (2, 4, 5))


def test_a_column_that_is_not_there_is_added():
    made = correct_ticket(TICKET, "book.csv", 5, {"anchor": "top", "intent": "perceptual"})
    (placement,) = (e for e in read_ticket(made, "book.csv").placements if e.row == 5)
    assert ("top", "perceptual") == (placement.anchor, placement.intent)
    assert {"file": "sand.tif", "anchor": "top"}.items() <= describe_row(made, "b.csv", 5).items()


@pytest.mark.parametrize(
    ("row", "cells", "said"),
    [
        (5, {"width": "a lot"}, "The column width says"),
        (5, {"page": ""}, "The column page is empty"),
        (9, {"page": "1"}, "no row 9"),
    ],
)
def test_what_would_be_wrong_is_said_as_a_sentence(row, cells, said):
    with pytest.raises(CorrectionError, match=said):
        correct_ticket(TICKET, "book.csv", row, cells)


def test_a_ticket_without_sizes_gets_none_for_one_row_alone():
    with pytest.raises(CorrectionError, match="every other row"):
        correct_ticket(b"file,page\na.tif,1\nb.tif,2\n", "b.csv", 2, {"width": "20 cm"})
