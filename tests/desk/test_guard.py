"""Who is answered: this machine's browser on the desk's own page, and nobody else.

What a page of another origin can and cannot send is as the Fetch standard (WHATWG) and RFC 6454 have it; rebinding of
names is why the Host is looked at. Headers as OWASP's secure headers project lists them.
"""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from photoaz.desk.guard import Guard, is_loopback

OWN = {"x-photoaz-desk": "1", "content-type": "application/json"}
TOKEN = "a-long-and-secret-word"


async def answer(request: Request) -> PlainTextResponse:
    return PlainTextResponse(f"{request.method} {request.url.path}")


APP = Starlette(routes=[Route("/{path:path}", answer, methods=["GET", "POST"])])


def client(names: tuple[str, ...] | None = (), token: str | None = None, host: str = "127.0.0.1:8377") -> TestClient:
    return TestClient(Guard(APP, names, token), base_url=f"http://{host}", follow_redirects=False)


@pytest.mark.parametrize("host", ["127.0.0.1:8377", "localhost:8377", "localhost", "[::1]:8377"])
def test_this_machine_by_its_own_names(host: str) -> None:
    assert client().get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host", ["rebound.example:8377", "127.0.0.1.example", "localhost.example", "", "a@127.0.0.1", "127.0.0.1/x", "::1x"]
)
def test_a_rebound_name_is_refused(host: str) -> None:
    response = client().get("/api/audit", headers={"host": host})
    assert response.status_code == 421
    assert "GET" not in response.text


def test_the_host_that_it_was_started_for_is_answered() -> None:
    assert client(("desk.example",), TOKEN, "desk.example:8377").get("/", headers=bearer()).status_code == 200
    assert client(("desk.example",), TOKEN, "other.example:8377").get("/", headers=bearer()).status_code == 421


def test_everybody_only_with_a_token() -> None:
    with pytest.raises(ValueError, match="token"):
        Guard(APP, None, None)


@pytest.mark.parametrize(
    "origin",
    ["http://elsewhere.example", "null", "http://127.0.0.1:9999", "https://127.0.0.1:8377", "http://localhost:8377"],
)
def test_writes_of_another_origin_are_refused(origin: str) -> None:
    response = client().post("/api/act", headers=OWN | {"origin": origin}, content="{}")
    assert response.status_code == 403


def test_writes_of_the_own_origin_are_let_through() -> None:
    headers = OWN | {"origin": "http://127.0.0.1:8377", "sec-fetch-site": "same-origin"}
    assert client().post("/api/act", headers=headers, content="{}").text == "POST /api/act"


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"content-type": "application/json"}, 403),  # what a form or a plain fetch of another page cannot set
        ({"x-photoaz-desk": "1", "content-type": "text/plain"}, 415),
        ({"x-photoaz-desk": "1", "content-type": "application/x-www-form-urlencoded"}, 415),
        (OWN | {"sec-fetch-site": "cross-site"}, 403),
        (OWN | {"sec-fetch-site": "same-site"}, 403),
    ],
)
def test_writes_that_any_page_could_send_are_refused(headers: Mapping[str, str], status: int) -> None:
    assert client().post("/api/act", headers=dict(headers), content="{}").status_code == status


def test_reads_by_other_pages_are_refused() -> None:
    c = client()
    assert c.get("/tile/x", headers={"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}).status_code == 403
    assert c.get("/api/site", headers={"sec-fetch-site": "same-site"}).status_code == 403
    # a link to the desk from elsewhere may be followed: it reads and changes nothing
    assert c.get("/", headers={"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}).status_code == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS"])
def test_other_methods_are_refused(method: str) -> None:
    response = client().request(method, "/api/act", headers=OWN)
    assert response.status_code == 405
    assert "access-control-allow-origin" not in response.headers


def test_large_bodies_are_refused() -> None:
    assert client().post("/api/act", headers=OWN, content=b"x" * 1_000_001).status_code == 413


def test_every_answer_keeps_the_page_to_itself() -> None:
    for response in (client().get("/"), client().get("/", headers={"host": "x.example"})):
        policy = dict(p.strip().partition(" ")[::2] for p in response.headers["content-security-policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == policy["form-action"] == "'none'"
        assert "unsafe" not in response.headers["content-security-policy"]
        assert "http" not in response.headers["content-security-policy"]
        assert response.headers["x-content-type-options"] == "nosniff"
        assert response.headers["referrer-policy"] == "no-referrer"
        assert response.headers["cross-origin-resource-policy"] == "same-origin"
        assert response.headers["cache-control"] == "no-store"


def bearer(token: str = TOKEN) -> dict[str, str]:
    return {"authorization": f"Bearer {token}"}


def test_nothing_without_the_token() -> None:
    c = client(token=TOKEN)
    assert c.get("/").status_code == 401
    assert c.get("/api/audit").status_code == 401
    assert c.post("/api/act", headers=OWN, content="{}").status_code == 401
    assert c.get("/", headers=bearer("a-long-and-secret-wort")).status_code == 401
    assert c.get("/?token=wrong").status_code == 401
    assert c.get("/", headers={"cookie": 'photoaz_desk="\\374"'}).status_code == 401
    assert c.get("/", headers=bearer()).status_code == 200


def test_the_token_goes_from_the_address_into_a_cookie() -> None:
    c = client(token=TOKEN)
    response = c.get(f"/?token={TOKEN}&x=1")
    assert response.status_code == 303
    assert response.headers["location"] == "/?x=1"
    cookie = response.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert c.get("/api/audit").status_code == 200
    assert client(token=TOKEN).get(f"http://127.0.0.1:8377//elsewhere.example/?token={TOKEN}").headers["location"] == (
        "/elsewhere.example/"
    )


def test_a_token_alone_does_not_let_other_origins_write() -> None:
    headers = OWN | bearer() | {"origin": "http://elsewhere.example"}
    assert client(token=TOKEN).post("/api/act", headers=headers, content="{}").status_code == 403


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("127.0.0.1", True),
        ("127.8.9.1", True),
        ("::1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("::", False),
        ("192.0.2.7", False),
        ("localhost.example", False),
    ],
)
def test_what_only_this_machine_reaches(host: str, own: bool) -> None:
    # RFC 1122, 3.2.1.3: 127/8 is the host's own; RFC 4291, 2.5.3: so is ::1
    assert is_loopback(host) is own
