"""Who is let in, and what of theirs: every way in that a stranger, or another page, may try."""

import pytest
from starlette.routing import Route
from starlette.testclient import TestClient

from desk.conftest import HOME, PORT, come_in, job_called, token_of
from hotfolder.desk.access import Access
from hotfolder.desk.app import Desk

PATHS = ["/", "/events", "/static/desk.css", "/job/20260101-000000-00000000", "/nowhere", "/drop"]


@pytest.mark.parametrize("path", PATHS)
def test_without_the_secret_nothing_is_answered(stranger, path):
    answer = stranger.get(path)
    assert 401 == answer.status_code
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize(
    "query", ["key=x", "key=", "key", "KEY=x", "token=x", "key=%C3%A9", "key=" + "a" * 5000]
)
def test_a_wrong_secret_opens_nothing(stranger, query):
    answer = stranger.get(f"/?{query}")
    assert 401 == answer.status_code
    assert "set-cookie" not in answer.headers


def test_the_secret_twice_or_elsewhere_opens_nothing(stranger, access):
    assert 401 == stranger.get(f"/?key={access.secret}&key=x").status_code
    assert 401 == stranger.get(f"/events?key={access.secret}").status_code
    assert 401 == stranger.post(f"/?key={access.secret}").status_code


def test_the_secret_becomes_a_strict_cookie_and_leaves_the_address(stranger, access):
    answer = stranger.get(access.first_address)
    assert (303, "/") == (answer.status_code, answer.headers["location"])
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "path=/" in cookie
    assert access.secret.lower() not in cookie
    assert 200 == stranger.get("/").status_code


def test_a_link_from_elsewhere_is_let_in_by_a_page_of_ours(stranger, access):
    """After a redirect from another site a browser does not send a strict cookie."""
    answer = stranger.get(access.first_address, headers={"sec-fetch-site": "cross-site"})
    assert 200 == answer.status_code
    assert "url=/" in answer.text
    assert access.secret not in answer.text


def test_with_tls_the_cookie_is_bound_to_the_host_and_never_sent_in_clear(root):
    access = Access("https", 8443, ("desk.example",))
    client = TestClient(Desk(root, access).app, base_url="https://desk.example:8443")
    cookie = client.get(access.first_address, follow_redirects=False).headers["set-cookie"]
    assert cookie.startswith("__Host-")
    assert "Secure" in cookie


def test_desks_on_several_ports_do_not_take_each_others_cookies():
    names = {Access("http", port, ("127.0.0.1",)).cookie for port in (1000, 1000, 1001)}
    assert 3 == len(names)


@pytest.mark.parametrize(
    "host",
    ["evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:1", "localhost", "",
     f"127.0.0.1:{PORT}.evil.example", f"127.0.0.1.evil.example:{PORT}", f"[::1]:{PORT}"],
)  # fmt: skip
def test_a_foreign_host_is_refused_with_secret_and_with_cookie(client, access, host):
    for path in ("/", f"/?key={access.secret}"):
        assert 421 == client.get(path, headers={"host": host}).status_code


@pytest.mark.parametrize("host", [f"localhost:{PORT}", f"LOCALHOST:{PORT}"])
def test_its_other_name_is_known(stranger, access, host):
    assert 303 == stranger.get(f"/?key={access.secret}", headers={"host": host}).status_code


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "http://evil.example"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "https://127.0.0.1:8417"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999", "sec-fetch-site": "same-site"},
    ],
)
def test_a_form_from_another_page_is_refused_though_it_has_cookie_and_token(client, headers):
    page = client.get("/").text
    job = job_called(client, "mud.tif")
    answer = client.post(
        f"/job/{job}/decide", data={"token": token_of(page), "do": "release"}, headers=headers
    )
    assert 403 == answer.status_code


@pytest.mark.parametrize("path", ["/events", "/", "/static/desk.js"])
def test_another_page_cannot_have_ours_as_a_part_of_it(client, path):
    headers = {
        "sec-fetch-site": "same-site",
        "sec-fetch-mode": "no-cors",
        "sec-fetch-dest": "image",
    }
    assert 403 == client.get(path, headers=headers).status_code
    framed = {**headers, "sec-fetch-mode": "navigate", "sec-fetch-dest": "iframe"}
    assert 403 == client.get(path, headers=framed).status_code


def test_a_person_may_follow_a_link_from_elsewhere(client):
    headers = {
        "sec-fetch-site": "cross-site",
        "sec-fetch-mode": "navigate",
        "sec-fetch-dest": "document",
    }
    assert 200 == client.get("/", headers=headers).status_code


def changing(root, access):
    """Every route that changes something."""
    pages = Desk(root, access).app._pages
    named = {
        "{job}": "20260101-000000-00000000", "{name}": "fine-art-canvas", "{trial}": "x",
        "{destination}": "fine-art-canvas", "{batch}": "estuary", "{row:int}": "2",
    }  # fmt: skip

    def fill_in(path):
        for part, name in named.items():
            path = path.replace(part, name)
        return path

    return [
        (method, fill_in(route.path))
        for route in pages.routes
        if isinstance(route, Route)
        for method in route.methods - {"GET", "HEAD"}
    ]


def test_every_route_that_changes_something_wants_the_token(client, root, access):
    found = changing(root, access)
    assert found
    for method, path in found:
        for data in ({}, {"token": ""}, {"token": "x"}, {"token": access.secret}):
            assert 403 == client.request(method, path, data=data or {"a": "b"}).status_code, path


def test_who_may_only_look_can_change_nothing(root):
    access = Access("http", PORT, ("127.0.0.1",), may_decide=False)
    client = TestClient(Desk(root, access).app, base_url=HOME, follow_redirects=False)
    come_in(client, access)
    page = client.get("/")
    assert 200 == page.status_code
    assert "Decide" not in page.text
    token = token_of(client.get("/").text) if "token" in page.text else ""
    for method, path in changing(root, access):
        if path == "/seen":
            continue  # what is remembered of a person's own looking
        assert 403 == client.request(method, path, data={"token": token}).status_code, path


def test_every_answer_lets_nothing_from_outside_in(client):
    job = job_called(client, "mud.tif")
    for path in ("/", f"/job/{job}", f"/job/{job}/thumbnail", "/static/desk.css", "/nowhere"):
        headers = client.get(path).headers
        assert "default-src 'none'" in headers["content-security-policy"], path
        assert "unsafe" not in headers["content-security-policy"].replace("'unsafe-inline'", "")
        assert "nosniff" == headers["x-content-type-options"]
        assert "same-origin" == headers["cross-origin-resource-policy"]
        assert "same-origin" == headers["cross-origin-opener-policy"]
        assert "server" not in headers
    policy = client.get("/").headers["content-security-policy"]
    assert "unsafe-inline" not in policy
    assert "frame-ancestors 'none'" in policy


def test_our_pages_carry_no_style_or_script_of_their_own(client):
    job = job_called(client, "mud.tif")
    for path in ("/", f"/job/{job}"):
        text = client.get(path).text
        assert " style=" not in text
        assert "<style" not in text
        assert text.count("<script") == text.count('<script src="/static/')
        assert " on" not in {part.split("=")[0] for part in text.split()}


def test_a_proof_sheet_stands_in_a_sandbox(client):
    job = job_called(client, "mud.tif")
    answer = client.get(f"/job/{job}/sheet")
    assert 200 == answer.status_code
    assert answer.headers["content-security-policy"].startswith("sandbox; default-src 'none'")


@pytest.mark.parametrize(
    "path",
    ["/job/..%2f..%2fetc/sheet", "/job/%2e%2e/sheet", "/static/..%2f..%2fguard.py",
     "/static/%2e%2e/guard.py", "/job/x/view/..%2f..%2fpasswd"],
)  # fmt: skip
def test_no_path_leads_outside(client, path):
    assert 404 == client.get(path).status_code


def test_a_strangers_name_is_text(client):
    page = client.get("/").text
    assert "&lt;b&gt;bare.tif" in page
    assert "<b>bare" not in page


def test_a_form_that_is_too_long_is_not_read(client):
    page = client.get("/").text
    job = job_called(client, "mud.tif")
    data = {"token": token_of(page), "why": "x" * 70_000}
    assert 413 == client.post(f"/job/{job}/decide", data=data).status_code
    many = "&".join(f"a{number}=b" for number in range(2000))
    headers = {"content-type": "application/x-www-form-urlencoded"}
    assert 400 == client.post(f"/job/{job}/decide", content=many, headers=headers).status_code
    assert 415 == client.post(f"/job/{job}/decide", json={"a": 1}).status_code
