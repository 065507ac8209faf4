"""What a page that is open is told: what is new, once, as text."""

import pytest

from desk.conftest import access, client, root, stranger, worked
from hotfolder.desk.notices import Notices, put_into_words
from hotfolder.notify.matters import USUAL, Kind, Matter
from hotfolder.notify.teller import BLIP_S
from hotfolder.settings.root import Root

__all__ = ["access", "client", "root", "stranger", "worked"]


def matter(name, kind=Kind.HELD):
    key = f"{kind}:{name}"
    lasts = kind is Kind.AWAY
    return Matter(key, kind, "canvas", "Canvas", name, "Why.", "", f"job-{name}", lasts=lasts)


@pytest.fixture
def notices(tmp_path):
    return Notices(Root(tmp_path))


def names(found):
    return [each.name for each in found]


def test_what_is_new_is_told_to_who_does_not_know_it(notices):
    notices.note([matter("reeds")], 0)
    assert ["reeds"] == names(notices.list_after("0"))
    notices.note([matter("reeds"), matter("mud")], 5)
    assert ["mud"] == names(notices.list_after("1"))
    assert [] == names(notices.list_after("2"))
    notices.note([matter("mud")], 10)
    assert ["mud"] == names(notices.list_after("0"))


@pytest.mark.parametrize("said", ["", "-1", "1.5", "none", "９", "9" * 5000])
def test_what_is_no_number_is_told_nothing(notices, said):
    notices.note([matter("reeds")], 0)
    assert [] == notices.list_after(said)


def test_a_share_that_blinks_is_not_told(notices):
    away = matter("share", Kind.AWAY)
    notices.note([away], 0)
    notices.note([], BLIP_S / 2)
    notices.note([away], BLIP_S)
    assert [] == notices.list_after("0")
    notices.note([away], 2 * BLIP_S)
    assert ["share"] == names(notices.list_after("0"))


def test_many_are_one_notice():
    (said,) = put_into_words([matter(f"{number}") for number in range(9)])
    assert "9 pictures wait for you" == said["title"]
    assert [f"{number} waits for you" for number in range(3)] == [
        each["title"] for each in put_into_words([matter(f"{number}") for number in range(3)])
    ]


@pytest.mark.whole
def test_a_page_that_asks_first_is_told_nothing_and_a_stranger_never(client, stranger, access):
    said = client.get("/notices").json()
    assert ([], 2) == (said["notices"], said["last"])
    again = client.get("/notices", params={"desk": said["desk"], "after": 0}).json()
    assert "<b>bare.tif waits for you" in [each["title"] for each in again["notices"]]
    other = client.get("/notices", params={"desk": "another", "after": 0}).json()
    assert [] == other["notices"]
    client.cookies.clear()
    assert 401 == client.get("/notices").status_code


@pytest.mark.parametrize("kind", [*USUAL, Kind.MEDIUM_BACK])
def test_each_kind_that_is_found_has_a_notice(kind):
    (said,) = put_into_words([matter("reeds", kind)])
    assert said["title"]
    assert said["to"].startswith("/")
