"""Requests that no page of the desk sends: each is answered in words, and none takes the desk from the others."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from photoaz.desk import app
from photoaz.desk.app import make_app
from photoaz.desk.guard import MOST_BYTES, Guard
from photoaz.desk.session import Desk

from .conftest import SITE

#: what the desk solves meanwhile is another test's matter
pytestmark = pytest.mark.usefixtures("seen_before")
OWN = {"x-photoaz-desk": "1", "content-type": "application/json"}
PHOTO = "the first of the site's photos"

LONG = "9" * 400
SQUARE = "[[0,0],[9,0],[9,9],[0,9]]"


def _pick(where: str) -> str:
    return f'{{"who":"I","kind":"pick","photo":"{PHOTO}","body":{{"antenna_id":"QLB-014-A1",{where}}}}}'


def _control(body: str) -> str:
    return f'{{"who":"I","kind":"control","photo":"{PHOTO}","body":{{{body}}}}}'


def _note(note: str, who: str = '"I"') -> str:
    return f'{{"who":{who},"kind":"note","body":{{"note":{note}}}}}'


BODIES: dict[str, str | bytes] = {
    "not a number": _pick('"seed_px":[NaN,1]'),
    "infinite": _pick('"seed_px":[1e400,1]'),
    "400 digits": _pick(f'"seed_px":[{LONG},1]'),
    "5000 digits": _note("9" * 5000),
    "400 digits in a control": _control(f'"kind":"pitch","value_deg":{LONG}'),
    "half a letter in a name": _note('"x"', '"\\ud800"'),
    "half a letter in a note": _note('"\\udfff"'),
    "half a letter in a key": _note('"x","\\ud800":1'),
    "half a letter in a photo": '{"who":"I","kind":"exclude_photo","photo":"\\ud800"}',
    "deep": _note('{"note":' * 100_000 + "1" + "}" * 100_000),
    "deep lists": "[" * 200_000,
    "not a number in a note": _note("NaN"),
    "a zero byte": _note('"x\\u0000y"', '"I\\u0000"'),
    "no utf-8": b'{"who":"\xff"}',
    "utf-16": _note('"x"').encode("utf-16"),
    "nothing": "",
    "a list": "[]",
    "a word of its own": _control('"kind":["sun"],"pixel":{}'),
    "a place that is none": _control('"kind":"standpoint","lat_deg":1e308,"lon_deg":0'),
    "corners of corners": _pick(f'"corners_px":[{SQUARE},1,2,3]'),
}


@pytest.fixture(scope="module")
def client(one_desk: Desk) -> TestClient:
    """Of one desk for all: what is refused leaves nothing behind."""
    return TestClient(make_app(one_desk), base_url="http://127.0.0.1:8377")


@pytest.mark.parametrize("where", ["/api/act", "/api/plumb"])
@pytest.mark.parametrize("body", BODIES.values(), ids=BODIES)
def test_a_body_that_makes_no_sense_is_said_to_be_none(client: TestClient, where: str, body: str | bytes) -> None:
    """Eleven of these were answered with 500, and a traceback on the desk's own terminal."""
    photo = client.get("/api/site", params={"site": SITE}).json()["photos"][0]["photo"]
    sent = body.replace(PHOTO, photo).encode() if isinstance(body, str) else body
    before = client.get("/api/site", params={"site": SITE}).json()["history"]
    response = client.post(where, params={"site": SITE}, content=sent, headers=OWN)
    assert response.status_code in (400, 404, 422), response.text
    assert response.json()["error"]
    assert client.get("/api/site", params={"site": SITE}).json()["history"] == before


@pytest.mark.parametrize(
    "line",
    [f"[[{LONG},0],[0,50]]", "[[NaN,0],[0,50]]", "[[1e300,0],[0,50]]", '["12","34"]', '[["1","2"],["3","99"]]', "3"],
)
def test_a_plumb_line_that_is_none(client: TestClient, line: str) -> None:
    photo = client.get("/api/site", params={"site": SITE}).json()["photos"][0]["photo"]
    body = f'{{"photo":"{photo}","line_px":{line}}}'
    response = client.post("/api/plumb", params={"site": SITE}, content=body.encode(), headers=OWN)
    assert response.status_code in (400, 422), response.text


def _asked(guard: Guard, headers: dict[str, str], pieces: int) -> tuple[int, int]:
    """Status of a POST that sends `pieces` of 100 kB, and how many of them were taken."""
    taken, status = 0, 0

    async def receive() -> dict[str, Any]:
        nonlocal taken
        taken += 1
        return {"type": "http.request", "body": b"x" * 100_000, "more_body": taken < pieces}

    async def send(message: dict[str, Any]) -> None:
        nonlocal status
        if message["type"] == "http.response.start":
            status = message["status"]

    scope = {
        "type": "http",
        "method": "POST",
        "path": "/api/act",
        "scheme": "http",
        "query_string": b"site=X",
        "headers": [(k.encode(), v.encode()) for k, v in (OWN | {"host": "127.0.0.1"} | headers).items()],
    }
    asyncio.run(guard(scope, receive, send))  # type: ignore[arg-type]
    return status, taken


@pytest.mark.parametrize(
    "headers", [{"content-length": "10", "transfer-encoding": "chunked"}, {"transfer-encoding": "chunked"}, {}]
)
def test_a_body_of_two_lengths_is_not_taken(one_desk: Desk, headers: dict[str, str]) -> None:
    """400 MB were taken of one whose header said 10 bytes."""
    status, taken = _asked(make_app(one_desk), headers, 4000)
    assert status in (400, 411, 413)
    assert taken == 0


def test_no_more_is_taken_than_a_body_may_have(one_desk: Desk) -> None:
    status, taken = _asked(make_app(one_desk), {"content-length": "10"}, 4000)  # a server that lets it through
    assert status in (400, 413)
    assert taken <= MOST_BYTES // 100_000 + 1


def test_who_waits_for_a_solution_keeps_nobody_else_waiting(
    opened: Callable[[], Desk], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sixty that wait took all threads: for as long as they waited nothing at all was answered."""
    monkeypatch.setattr(app, "PATIENCE_S", 6.0)
    with TestClient(make_app(opened()), base_url="http://127.0.0.1:8377") as client:
        waits = [
            threading.Thread(target=client.get, args=("/api/solved",), kwargs={"params": {"site": SITE, "ticket": 999}})
            for _ in range(60)
        ]
        for one in waits:
            one.start()
        time.sleep(1.0)
        start = time.monotonic()
        assert client.get("/api/audit").status_code == 200
        took = time.monotonic() - start
        for one in waits:
            one.join()
    assert took < 3.0


# ---------------------------------------------------------------------------------------------------- the token


def _served(results: Path, *arguments: str, **environment: str) -> tuple[str, str, str]:
    """The address that the desk prints, what it prints besides, and its command line as others see it."""
    command = [sys.executable, "-m", "photoaz", "desk", str(results), "--port", "0", "--no-browser", *arguments]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=os.environ | environment)
    assert process.stderr is not None
    said = ""
    while "http://" not in said and process.poll() is None:
        said += process.stderr.readline()
    seen = Path(f"/proc/{process.pid}/cmdline").read_bytes().decode()
    process.send_signal(signal.SIGINT)
    said += process.stderr.read()
    process.stderr.close()
    assert process.wait(30) == 0, said
    found = re.search(r"http://\S+", said)
    assert found, said
    return found[0], said, seen


def test_the_token_comes_from_a_file_or_the_environment(results: Path, tmp_path: Path) -> None:
    file = tmp_path / "token"
    file.write_text("a-word-of-a-file\n")
    url, _, seen = _served(results, "--token-file", str(file))
    assert "token=a-word-of-a-file" in url
    assert "a-word-of-a-file" not in seen
    url, _, seen = _served(results, PHOTOAZ_DESK_TOKEN="a-word-of-the-environment")
    assert "token=a-word-of-the-environment" in url
    assert "a-word-of-the-environment" not in seen


def test_where_others_reach_the_desk_a_token_is_made(results: Path) -> None:
    first, second = (_served(results, "--host", "0.0.0.0")[0] for _ in range(2))
    tokens = [re.search(r"token=([\w-]{14,})", url) for url in (first, second)]
    assert tokens[0]
    assert tokens[1]
    assert tokens[0][1] != tokens[1][1]
