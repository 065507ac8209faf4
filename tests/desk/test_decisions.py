"""What a person decides on the page is what the commands do, once, and told by what came of it."""

import re
import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import tifffile
from starlette.testclient import TestClient

from desk.conftest import HOME, come_in, job_called, seen_of, token_of
from faults.serving import sweep
from whole.conftest import picture, records, write_destination


def page_of(client, name):
    job = job_called(client, name)
    return job, client.get(f"/job/{job}").text


def decide(client, job, page, do, **more):
    data = {"token": token_of(page), "seen": seen_of(page), "do": do, **more}
    return client.post(f"/job/{job}/decide", data=data)


def standing(client, job):
    return re.search(r'role="status">([^<]*)<', client.get(f"/job/{job}").text)[1]


def test_a_picture_is_let_go_as_it_is_and_the_page_says_what_became_of_it(client, root):
    job, page = page_of(client, "mud.tif")
    assert "waits for you" in page
    answer = decide(client, job, page, "release", who="Mara", why="the client has seen it")
    assert (303, f"/job/{job}") == (answer.status_code, answer.headers["location"])
    assert "Nobody serves the root" in standing(client, job)
    assert "has been released" in client.get("/").text
    assert sweep(root) == []
    said = standing(client, job)
    assert "was delivered" in said
    assert "Mara" in said
    assert "the client has seen it" in said
    last = records(root)[-1]
    assert ("delivered", "Mara", "the client has seen it") == (
        last["state"], last["release"]["who"], last["release"]["why"]
    )  # fmt: skip


def test_of_two_who_decide_the_second_is_told_and_nothing_is_done_twice(client, root):
    job, page = page_of(client, "mud.tif")
    assert 303 == decide(client, job, page, "release").status_code
    second = decide(client, job, page, "release")
    assert 409 == second.status_code
    assert "decided already" in second.text
    assert sweep(root) == []
    third = decide(client, job, page, "release")
    assert 409 == third.status_code
    assert "was delivered" in third.text


def test_a_page_that_is_out_of_date_decides_nothing(client, root):
    job, page = page_of(client, "mud.tif")
    data = {"token": token_of(page), "seen": "2026-01-01T00:00:00.000+00:00", "do": "release"}
    assert 409 == client.post(f"/job/{job}/decide", data=data).status_code
    assert sweep(root) == []
    assert "held" == records(root)[-1]["state"]


def test_what_has_no_pixels_cannot_go_as_it_is(client):
    job, page = page_of(client, "&lt;b&gt;bare.tif")
    assert 'value="release"' not in page
    answer = decide(client, job, page, "release")
    assert 409 == answer.status_code
    assert "no result was made" in answer.text


def test_an_unknown_choice_or_job_is_none(client):
    job, page = page_of(client, "mud.tif")
    assert 400 == decide(client, job, page, "destroy").status_code
    assert 404 == decide(client, "20260101-000000-00000000", page, "release").status_code


def test_a_delivered_picture_is_given_out_as_a_file(client, root):
    job = job_called(client, "tide.tif")
    answer = client.get(f"/job/{job}/result/1")
    assert (root.path / "out/fine-art-canvas/tide.tif").read_bytes() == answer.content
    assert answer.headers["content-disposition"].startswith('attachment; filename="tide.tif"')
    assert 404 == client.get(f"/job/{job}/result/2").status_code
    held = job_called(client, "mud.tif")
    assert 404 == client.get(f"/job/{held}/result/1").status_code


def test_a_picture_is_discarded_with_a_word_and_put_back(client, root):
    job, page = page_of(client, "mud.tif")
    assert 303 == decide(client, job, page, "discard", who="Mara", why="too dark").status_code
    assert "about to be discarded" in standing(client, job)
    assert 409 == decide(client, job, page, "release").status_code
    assert sweep(root) == []
    last = records(root)[-1]
    assert ("held", "Mara", "too dark") == (
        last["state"], last["discarded"]["who"], last["discarded"]["why"]
    )  # fmt: skip
    assert not (root.path / "held/fine-art-canvas" / job).exists()
    assert [] == [each.name for each in visible(root.path / "release/fine-art-canvas")]
    said = standing(client, job)
    assert "discarded" in said
    assert "too dark" in said
    page = client.get(f"/job/{job}").text
    back = {"token": token_of(page)}
    assert "dropped again" in client.post(f"/job/{job}/put-back", data=back).text
    assert 409 == client.post(f"/job/{job}/put-back", data=back).status_code
    assert sweep(root) == []
    again = records(root)[-1]
    assert ("held", [job]) == (again["state"], again["same_original"])


def visible(folder):
    return [path for path in folder.iterdir() if not path.name.startswith(".")]


def test_who_releases_first_has_decided_and_the_other_word_is_void(client, root):
    """Both words were said before the daemon looked: by hand, past the page's own checks."""
    job, page = page_of(client, "mud.tif")
    assert 303 == decide(client, job, page, "release").status_code
    (root.path / f"release/fine-art-canvas/{job}.discard").touch()
    assert sweep(root) == []
    assert "delivered" == records(root)[-1]["state"]
    assert [] == visible(root.path / "release/fine-art-canvas")


def test_what_a_person_put_into_the_folder_is_kept_when_it_is_discarded(client, root):
    job, page = page_of(client, "mud.tif")
    (root.path / "held/fine-art-canvas" / job / "note to Mara.txt").write_text("ask first")
    decide(client, job, page, "discard")
    assert sweep(root) == []
    kept = root.path / "release/fine-art-canvas" / job / "note to Mara.txt"
    assert "ask first" == kept.read_text()
    assert not (root.path / "held/fine-art-canvas" / job).exists()


def test_several_are_shown_together_and_decided_at_once_but_for_what_changed(client, root):
    page = client.get("/").text
    ticked = re.findall(r'form="several" name="job" value="([^"]+)"', page)
    assert 2 == len(ticked)
    shown = client.post("/several", data={"token": token_of(page), "job": ticked}).text
    assert "these 2 pictures" in shown
    assert "They cannot go together as they are: of one no picture was made" in shown
    assert shown.count("It cannot go as it is") == 1
    stale = ticked[1].split(" ")[0] + " 2026-01-01T00:00:00.000+00:00"
    data = {"token": token_of(page), "job": [ticked[0], stale], "do": "discard", "why": "old"}
    answer = client.post("/several/decide", data=data)
    assert (409, True) == (answer.status_code, "One picture discarded" in answer.text)
    assert "Not done" in answer.text
    assert sweep(root) == []
    assert 1 == sum(bool(each["discarded"]) for each in records(root))


def tick_all(client):
    page = client.get("/").text
    ticked = re.findall(r'form="several" name="job" value="([^"]+)"', page)
    return ticked, client.post("/several", data={"token": token_of(page), "job": ticked}).text


def buttons(page):
    found = re.findall(r'name="way" value="(\w+)">([^<]+)<', page)
    return {said: number for number, said in found}


def drop_grey(root, name, seed):
    path = root.path / "in/fine-art-canvas" / name
    grey = np.ascontiguousarray(picture(None, 96, seed)[..., 0])
    tifffile.imwrite(path, grey, photometric="minisblack")


def test_pictures_without_a_profile_go_together_with_what_answers_that(client, root):
    write_destination(root)
    for number in range(3):
        drop_grey(root, f"scan {number}.tif", number)
    assert sweep(root) == []
    ticked, page = tick_all(client)
    assert 5 == len(ticked)
    ways = buttons(page)
    for says in ("grey with the sRGB curve", "grey with gamma 2.2"):
        assert f"3 of them: take its numbers for {says}, if that is what they are" in ways
    assert not any("for sRGB" in said for said in ways)  # one picture alone: its own page has it
    way = ways["3 of them: take its numbers for grey with gamma 2.2, if that is what they are"]
    stale = ticked[0].split(" ")[0] + " 2026-01-01T00:00:00.000+00:00"
    data = {"token": token_of(page), "job": [*ticked[1:], stale], "way": way, "who": "Mara"}
    answer = client.post("/several/decide", data=data)
    assert (409, True) == (answer.status_code, "Not done" in answer.text)
    data["job"] = ticked
    answer = client.post("/several/decide", data=data)
    assert sweep(root) == []
    last = {each["original"]["name"]: each for each in records(root)}
    made = [last[f"scan {number}.tif"] for number in range(3)]
    assert {("delivered", "Mara")} == {(each["state"], each["release"]["who"]) for each in made}
    assert {"Grey with gamma 2.2"} == {each["original"]["profile"]["description"] for each in made}
    assert all(each["original"]["profile"]["assumed"] for each in made)
    assert {"held"} == {last[name]["state"] for name in ("mud.tif", "<b>bare.tif")}
    shown = client.get(f"/job/{made[0]['job']}").text
    assert "16 bit grey" in shown
    assert "GREY" not in shown


def test_all_of_a_page_are_decided_together_without_a_tick_for_each(client):
    page = client.get("/").text
    form = re.search(r'<form id="page".*?</form>', page, re.DOTALL)[0]
    assert "Decide all 2 together" in page
    jobs = re.findall(r'name="job" value="([^"]+)"', form)
    shown = client.post("/several", data={"token": token_of(form), "job": jobs}).text
    assert "these 2 pictures" in shown


def test_a_way_that_none_of_them_has_is_none(client):
    ticked, page = tick_all(client)
    data = {"token": token_of(page), "job": ticked, "way": "0123"}
    answer = client.post("/several/decide", data=data)
    assert (400, True) == (answer.status_code, "There is no such choice" in answer.text)


def test_nothing_ticked_is_said(client):
    page = client.get("/").text
    assert "Nothing was ticked" in client.post("/several", data={"token": token_of(page)}).text


def test_of_two_people_who_decide_at_once_one_wins_and_the_other_is_told(client, root, access):
    other = TestClient(client.app, base_url=HOME, follow_redirects=False)
    come_in(other, access)
    job, mine = page_of(client, "mud.tif")
    _, theirs = page_of(other, "mud.tif")
    both = threading.Barrier(2)

    def act(session, page, do, who):
        both.wait()
        return decide(session, job, page, do, who=who)

    with ThreadPoolExecutor(2) as pool:
        answers = [
            pool.submit(act, client, mine, "release", "Mara"),
            pool.submit(act, other, theirs, "discard", "Ines"),
        ]
        codes = [each.result().status_code for each in answers]
    # in one instant both may be handed over; then the daemon lets the picture go
    assert 303 in codes
    assert sweep(root) == []
    said = standing(other, job)
    won = "Mara" if codes[0] == 303 else "Ines"
    assert won in said
    assert {"Mara": "was delivered", "Ines": "was discarded"}[won] in said
    assert 2 == sum(each["job"] == job for each in records(root))
    late = decide(client, job, mine, "release")
    assert (409, True) == (late.status_code, "decided already" in late.text)
