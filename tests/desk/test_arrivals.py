"""Files dropped into the page land whole and under a name of their own, or not at all."""

import pytest

from desk.conftest import token_of
from hotfolder.desk import arrivals
from hotfolder.disk import platforms

CANVAS = "/drop/fine-art-canvas"


@pytest.fixture
def token(client):
    return token_of(client.get("/drop").text)


def put(client, token, called, data=b"picture", **headers):
    headers = {"x-desk-token": token, **headers}
    return client.put(CANVAS, params={"called": called}, content=data, headers=headers)


def lying(root):
    folder = root.path / "in/fine-art-canvas"
    return sorted(path.name for path in folder.iterdir() if path.name != ".hotfolder-folder")


def test_a_file_lands_under_its_name_and_never_over_another(client, root, token):
    for number in range(3):
        assert 201 == put(client, token, "sand.tif", b"a" * (2_500_000 + number)).status_code
    assert ["sand-2.tif", "sand-3.tif", "sand.tif"] == lying(root)
    assert 2_500_000 == (root.path / "in/fine-art-canvas/sand.tif").stat().st_size


def test_a_form_without_script_drops_several(client, root, token):
    files = [("files", ("a.tif", b"a" * 3_000_000)), ("files", ("b.tif", b"b"))]
    answer = client.post(CANVAS, data={"token": token}, files=files)
    assert (200, True) == (answer.status_code, "2 files were dropped" in answer.text)
    assert ["a.tif", "b.tif"] == lying(root)
    assert b"a" * 3_000_000 == (root.path / "in/fine-art-canvas/a.tif").read_bytes()


@pytest.mark.parametrize(
    ("called", "name"),
    [
        ("../../evil.tif", "evil.tif"),
        ("/etc/passwd.tif", "passwd.tif"),
        ("C:\\prints\\sand.tif", "sand.tif"),
        (".hidden.tif", "_hidden.tif"),
        (".hotfolder-20260101-000000-00000000", "_hotfolder-20260101-000000-00000000"),
        ("a\u202egpj.tif", "a_gpj.tif"),
    ],
)
def test_a_name_never_leads_outside_nor_to_one_of_ours(client, root, token, called, name):
    assert 201 == put(client, token, called).status_code
    assert [name] == lying(root)
    assert not (root.path / "evil.tif").exists()


@pytest.mark.parametrize("called", ["", "thumbs.db", "sand.tif.part", "~$sand.tif"])
def test_what_no_scan_would_take_is_not_taken_in(client, root, token, called):
    assert 400 == put(client, token, called).status_code
    assert [] == lying(root)


def test_what_is_broken_off_leaves_nothing(client, root, token):
    answer = put(client, token, "sand.tif", b"half", **{"content-length": "9"})
    assert 400 == answer.status_code
    assert 400 == put(client, token, "sand.tif", b"").status_code
    assert [] == lying(root)


def test_a_disk_below_its_floor_takes_nothing(client, root, token, monkeypatch):
    monkeypatch.setattr(platforms, "free_bytes", lambda path: 500 * 2**20 + 5)
    assert 201 == put(client, token, "small.tif", b"12345").status_code
    answer = put(client, token, "sand.tif", b"123456")
    assert (507, True) == (answer.status_code, "free_space" in answer.text)
    assert ["small.tif"] == lying(root)


def test_a_file_that_is_too_large_is_not_read(client, root, token):
    with (root.path / "hotfolder.toml").open("a") as file:
        file.write('\n[desk]\nlargest_file = "1 kB"\n')
    assert 413 == put(client, token, "sand.tif", b"a" * 2000).status_code

    def unsaid():
        for _ in range(20):
            yield b"a" * 100

    assert 413 == put(client, token, "sand.tif", unsaid()).status_code
    assert [] == lying(root)


def test_nobody_drops_without_the_token_or_into_nowhere(client, root, token):
    assert 403 == put(client, "x", "sand.tif").status_code
    files = [("files", ("a.tif", b"a"))]
    for data in ({}, {"token": "x"}):
        assert 403 == client.post(CANVAS, data=data, files=files).status_code
    late = [("files", ("a.tif", b"a")), ("token", (None, token))]
    assert 403 == client.post(CANVAS, files=late).status_code
    assert [] == lying(root)
    for name in ("nowhere", "..", "%2e%2e"):
        answer = client.put(f"/drop/{name}", params={"called": "a.tif"}, content=b"a",
                            headers={"x-desk-token": token})  # fmt: skip
        assert answer.status_code in {404, 405}


def test_a_share_that_is_away_is_said(client, root, token):
    (root.path / "in/fine-art-canvas/.hotfolder-folder").unlink()
    answer = put(client, token, "sand.tif")
    assert (503, True) == (answer.status_code, "marks it as ours" in answer.text)
    assert [] == lying(root)


def test_what_a_kill_left_goes_after_a_day(root):
    import os
    import time

    folder = root.path / "in/fine-art-canvas"
    old, new = folder / ".hotfolder-coming-1", folder / ".hotfolder-coming-2"
    old.touch()
    new.touch()
    os.utime(old, (time.time() - 90_000,) * 2)
    arrivals.clear_left(root)
    assert (False, True) == (old.exists(), new.exists())
