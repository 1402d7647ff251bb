"""What comes by the page on which photos are dropped: bounded, behind the token, under names that nobody chose."""

from __future__ import annotations

import asyncio
import io
import json
import math
import secrets
import zipfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from starlette.testclient import TestClient

from photoaz.cli.desk import new_token
from photoaz.desk import drop, project
from photoaz.desk.drop import make_drop_app
from photoaz.desk.guard import Guard
from photoaz.desk.project import Project, safe_name
from photoaz.estimate.inputs import SiteInputs
from photoaz.estimate.visible import VisiblePanel
from photoaz.photo.inspect import known_values
from photoaz.photo.metadata import read_record
from photoaz.result import AntennaResult, ById, Design, PhotoResult, SiteResult
from photoaz.sample import sample_dir

TOKEN = "a-long-and-secret-word"
RAW = {"x-photoaz-desk": "1", "content-type": "application/octet-stream"}
OWN = {"x-photoaz-desk": "1"}
PHOTO = sample_dir() / "qlb014_2.jpg"
FORM = {
    "tower": "46.629992, -66.409983",
    "antennas": [{"antenna_id": "B1", "rad_center_m": "29.3", "design_azimuth_deg": "150"}],
}


class Page:
    """The requests that the page makes."""

    def __init__(self, folder: Path, **more: Any) -> None:
        self.project = Project(folder)
        app = make_drop_app(self.project, token=TOKEN, **more)
        self.client = TestClient(app, base_url="http://127.0.0.1:8377", follow_redirects=False)
        self.client.headers["authorization"] = f"Bearer {TOKEN}"

    def send(self, data: bytes, name: str = "field.jpg", where: str = "/api/photo", **headers: str) -> Any:
        return self.client.post(where, params={"name": name}, content=data, headers=RAW | headers)

    def post(self, where: str, said: Any) -> Any:
        return self.client.post(where, json=said, headers=OWN)


@pytest.fixture
def page(tmp_path: Path) -> Page:
    return Page(tmp_path / "project")


def files(page: Page) -> list[str]:
    return sorted(str(p.relative_to(page.project.folder)) for p in page.project.folder.rglob("*") if p.is_file())


def test_a_photo_is_taken_and_says_what_it_knows(page: Page) -> None:
    state = page.send(PHOTO.read_bytes()).json()
    (photo,) = state["photos"]
    record = read_record(PHOTO)
    assert (photo["size"]["width_px"], photo["label"]) == (record.width_px, "field.jpg")
    told = dict(known_values(record))
    assert {name: words.split("°")[0] for name, words in photo["knows"]} == {
        name: told[name].replace("+- ", "± ").split(" deg")[0]
        for name in ("standpoint", "heading", "pitch", "roll", "taken", "focal length")
    }
    # what lies there is the file as it was sent
    assert Path(photo["photo"]).read_bytes() == PHOTO.read_bytes()
    # sent twice it is one
    assert len(page.send(PHOTO.read_bytes(), "again.jpg").json()["photos"]) == 1
    assert page.client.get(f"/tile/{photo['digest']}/0/0/0.jpg").status_code == 200
    page.post("/api/remove", {"digest": photo["digest"]})
    assert files(page) == ["project.json"]


@pytest.mark.parametrize(
    "name",
    [
        "../../../etc/cron.d/x.jpg",
        "..\\..\\windows\\x.jpg",
        "/etc/passwd",
        "a\0b.jpg",
        ".htaccess",
        "x.jpg/../../y.sh",
        "=cmd|' /C calc'!A0.jpg",
        "<img src=x onerror=alert(1)>.jpg",
        "n" * 5000,
        "",
    ],
)
def test_names_of_files_are_never_trusted(page: Page, name: str) -> None:
    (photo,) = page.send(PHOTO.read_bytes(), name).json()["photos"]
    path = Path(photo["photo"])
    assert path.parent == page.project.folder / "photos"
    assert path.suffix == ".jpg"
    assert set(path.stem) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
    assert not path.name.startswith((".", "-", "="))
    assert len(path.name) < 64
    assert len(photo["label"]) <= 120


def test_what_is_no_photo_leaves_nothing_behind(page: Page) -> None:
    for data in (b"", b"#!/bin/sh\n", b"\xff\xd8\xff" + b"x" * 100, b"<svg onload='alert(1)'/>"):
        response = page.send(data, "x.jpg")
        assert response.status_code == 409
        assert "x.jpg" in response.json()["error"]
        assert str(page.project.folder) not in response.json()["error"]
    assert files(page) == []


def test_only_behind_the_token(page: Page, tmp_path: Path) -> None:
    del page.client.headers["authorization"]
    assert page.send(PHOTO.read_bytes()).status_code == 401
    assert page.client.get("/api/project").status_code == 401
    assert files(page) == []
    with pytest.raises(ValueError, match="token"):
        Guard(page.client.app, (), None, uploads={"/api/photo": 1})


def test_a_ticket_opens_once(tmp_path: Path) -> None:
    page = Page(tmp_path, ticket="once-and-no-more")
    del page.client.headers["authorization"]
    assert page.client.get("/?ticket=another").status_code == 401
    opened = page.client.get("/?ticket=once-and-no-more")
    assert (opened.status_code, opened.headers["location"]) == (303, "/")
    assert page.client.get("/api/project").status_code == 200
    page.client.cookies.clear()
    assert page.client.get("/?ticket=once-and-no-more").status_code == 401


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"content-type": "application/json"}, 415),
        ({"content-type": "multipart/form-data; boundary=x"}, 415),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"origin": "http://elsewhere.example"}, 403),
        ({"transfer-encoding": "chunked"}, 400),
        ({"content-length": str(10**9)}, 413),
        ({"content-length": "-1"}, 413),
    ],
)
def test_what_another_page_or_no_page_sends(page: Page, headers: dict[str, str], status: int) -> None:
    assert page.send(b"x", **headers).status_code == status
    assert files(page) == []


def test_no_more_is_written_than_a_photo_may_have(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """A server that lets more through than the header said."""
    monkeypatch.setitem(drop.UPLOADS, "/api/photo", 250_000)
    taken, status, most_on_disk = 0, 0, 0

    async def receive() -> dict[str, Any]:
        nonlocal taken, most_on_disk
        taken += 1
        on_disk = sum(p.stat().st_size for p in page.project.folder.rglob("*") if p.is_file())
        most_on_disk = max(most_on_disk, on_disk)
        return {"type": "http.request", "body": b"x" * 100_000, "more_body": taken < 4000}

    async def send(message: dict[str, Any]) -> None:
        nonlocal status
        if message["type"] == "http.response.start":
            status = message["status"]

    headers = RAW | {"host": "127.0.0.1", "content-length": "10", "authorization": f"Bearer {TOKEN}"}
    scope = {
        "type": "http",
        "method": "POST",
        "path": "/api/photo",
        "scheme": "http",
        "query_string": b"name=x.jpg",
        "headers": [(k.encode(), v.encode()) for k, v in headers.items()],
    }
    asyncio.run(page.client.app(scope, receive, send))
    assert status == 413
    assert taken <= 3
    assert most_on_disk <= 250_000
    assert files(page) == []


def test_so_many_photos_and_no_more(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(project, "MOST_PHOTOS", 1)
    assert page.send(PHOTO.read_bytes()).status_code == 200
    refused = page.send((sample_dir() / "qlb014_4.jpg").read_bytes())
    assert refused.status_code == 409
    assert "1 photos here already" in refused.json()["error"]


def test_a_register_offers_the_site_that_the_photos_show(page: Page) -> None:
    table = (sample_dir() / "register.csv").read_bytes()
    far = b"".join(
        line.replace(b"QLB-014", b"ELS-001").replace(b"46.62", b"47.62") for line in table.splitlines(True)[1:]
    )
    page.send(PHOTO.read_bytes())
    state = page.send(table + far, "all my sites.csv", "/api/register").json()
    assert [s["site_id"] for s in state["sites"]] == ["QLB-014", "ELS-001"]
    first, second = state["sites"]
    assert first["probability"] > 0.9
    assert first["away_m"] < 500.0 < 100e3 < second["away_m"]
    assert first["antennas"][0]["design_deg"] == 25.0
    assert page.send(b"a,b\n1,2\n", "x.csv", "/api/register").status_code == 409  # and the one before still counts
    assert page.client.get("/api/project").json()["sites"] is not None
    assert page.post("/api/remove", {"register": True}).json()["sites"] is None


def answered(given: SiteInputs, _tools: Any) -> SiteResult:
    """Stands in for the pipeline: says what it was given."""
    design = Design(azimuth_true_deg=150.0, deviation_deg=1.0, tolerance_deg=5.0, decision="accept")
    antennas = [
        AntennaResult(antenna_id=a.antenna_id, status="estimated", azimuth_true_deg=151.0, u95_deg=2.0, design=design)
        for a in given.antennas
    ]
    photos = [PhotoResult(photo=p.name, status="used") for p in given.photos]
    site = given.site
    return SiteResult(
        site_id=site.site_id,
        lat_deg=site.lat_deg,
        lon_deg=site.lon_deg,
        antennas=ById(antennas),
        photos=ById(photos),
    )


def test_from_the_form_to_what_is_taken_along(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[SiteInputs] = []
    monkeypatch.setattr(project, "estimate_site", lambda g, t: (seen.append(g), answered(g, t))[1])
    panel = VisiblePanel(corners_px=((1.0, 1.0),) * 8, probability=0.9, view="front", width_px=30.0)
    monkeypatch.setattr(project, "visible_panels", lambda _picture: (panel,))
    (photo,) = page.send(PHOTO.read_bytes()).json()["photos"]
    found = page.client.get("/api/panels", params={"photo": photo["digest"]}).json()["panels"]
    assert [p["view"] for p in found] == ["front"]
    pick = {"antenna_id": "B1", "seed_px": [2078, 959], "view": "front", "panel": 0}
    form = FORM | {"photos": {photo["digest"]: {"picks": [pick]}}}
    wrong = page.post("/api/measure", form | {"tower": "49,155460"}).json()
    assert (wrong["ticket"], [f["column"] for f in wrong["faults"]]) == (None, ["tower"])
    ticket = page.post("/api/measure", form).json()["ticket"]
    answer = page.client.get("/api/solved", params={"ticket": ticket}).json()
    assert answer["document"]["antennas"][0]["azimuth_true_deg"] == 151.0
    (given,) = seen
    assert [(p.antenna_id, p.seed_px, p.photo) for p in given.picks] == [("B1", (2078.0, 959.0), photo["photo"])]
    # signed, the sheet says by whom; without a name nothing is
    said = {"antenna_id": "B1", "verdict": "climb", "note": "bolts", "who": ""}
    assert page.post("/api/decide", said).status_code == 422
    assert page.post("/api/decide", said | {"who": "Ines Example", "verdict": "maybe"}).status_code == 422
    assert page.post("/api/decide", said | {"who": "Ines Example"}).json()["decisions"][0]["verdict"] == "climb"
    sheet = page.client.get("/project/sheet.html", params={"antenna": "B1"})
    assert "<span>Name</span> <b>Ines Example</b>" in sheet.text
    assert "to be climbed: bolts" in sheet.text
    assert "script-src" not in sheet.headers["content-security-policy"]
    assert page.client.get("/project/sheet.html", params={"antenna": "../x"}).status_code == 404
    row = page.client.get("/project/register.csv")
    assert "B1" in row.text
    with zipfile.ZipFile(io.BytesIO(page.client.get("/project/project.zip").content)) as packed:
        names = set(packed.namelist())
        assert packed.testzip() is None
    assert names >= {f"project/{n}.csv" for n in ("register", "picks", "manifest", "decisions")}
    assert f"project/photos/{Path(photo['photo']).name}" in names
    for name in ("project.json", "..%2fsecret", "photos", ".arriving-0"):
        assert page.client.get(f"/project/{name}").status_code == 404


def test_it_is_all_there_after_a_restart(page: Page) -> None:
    (photo,) = page.send(PHOTO.read_bytes()).json()["photos"]
    page.post("/api/form", FORM)
    again = Page(page.project.folder).client.get("/api/project").json()
    assert [p["digest"] for p in again["photos"]] == [photo["digest"]]
    assert again["photos"][0]["label"] == "field.jpg"
    assert again["form"]["tower"] == FORM["tower"]
    assert again["form"]["antennas"] == FORM["antennas"]


def test_a_note_that_names_other_files_opens_none_of_them(page: Page, tmp_path: Path) -> None:
    (tmp_path / "secret.jpg").write_bytes(PHOTO.read_bytes())
    note = {"form": {}, "photos": [{"file": "../../secret.jpg", "told": "x"}, {"file": "/etc/passwd", "told": "y"}]}
    (page.project.folder / "project.json").write_text(json.dumps(note), encoding="utf-8")
    assert Project(page.project.folder).photos == ()


def test_a_token_that_can_be_typed_has_74_bits(monkeypatch: pytest.MonkeyPatch) -> None:
    """15 letters, each one of 31 and by the system's own generator of secrets: 15 log2(31) = 74.3 bits."""
    drawn: list[tuple[str, str]] = []

    def choice(letters: str) -> str:
        drawn.append((letters, secrets.choice(letters)))
        return drawn[-1][1]

    monkeypatch.setattr("photoaz.cli.desk.secrets", SimpleNamespace(choice=choice))
    token = new_token()
    assert token.replace("-", "") == "".join(letter for _, letter in drawn)
    bits = sum(math.log2(len(set(letters))) for letters, _ in drawn)
    assert bits == pytest.approx(74.3, abs=0.05)
    assert bits >= 64.0
    # none that is taken for another
    assert not set("".join(letters for letters, _ in drawn)) & set("01ilo")
    assert len({new_token() for _ in range(50)}) == 50


def test_names_tell_contents_apart() -> None:
    assert safe_name("IMG 1.HEIC", "ab" * 32, "HEIF") == "IMG_1-abababab.heic"
    assert safe_name("IMG 1.HEIC", "cd" * 32, "HEIF") != safe_name("IMG 1.HEIC", "ab" * 32, "HEIF")
