"""The report as the desk serves it: its rows lead to the desk; as a file it has no such link, and no dead one."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import lxml.html
import pytest
from starlette.testclient import TestClient

from photoaz.audit.store import Store
from photoaz.cli.desk import given_by
from photoaz.desk.app import make_app
from photoaz.desk.session import Desk
from photoaz.present.folder import StorePlace, open_store

from .conftest import SITE


@pytest.fixture
def whole(audited: Path, tmp_path: Path) -> Path:
    """A copy of all of the audit's results."""
    shutil.copytree(audited / "out", tmp_path / "whole")
    return tmp_path / "whole"


@pytest.fixture
def client(whole: Path):
    store: Store = open_store(whole)
    desk = Desk(store, StorePlace.of(whole).address, given_by(store, whole), whole)
    yield TestClient(make_app(desk), base_url="http://127.0.0.1:8377")
    desk.close()


def test_rows_and_pages_lead_to_the_desk_where_one_serves_them(client: TestClient, whole: Path) -> None:
    row = "//tr[th/a[@href='sites/QLB-014.html']]/th/a[@class='desk']/@href"
    for path, at in (("index.html", row), (f"sites/{SITE}.html", "//nav/a[@class='desk']/@href")):
        served = lxml.html.fromstring(client.get(f"/report/{path}").text)
        assert served.xpath(at) == [f"/#/site/{SITE}"]
        lying = lxml.html.fromstring((whole / "report" / path).read_text(encoding="utf-8"))
        assert lying.xpath(at) == []
        # nothing of an address that needs a desk
        assert not [link for link in lying.xpath("//@href") if link.startswith("/")]
    for path in ("index.html", "antennas.html"):
        assert lxml.html.fromstring(client.get(f"/report/{path}").text).xpath("//nav/a[@id='desk']/@href") == ["/"]


def test_the_desk_leads_to_the_report_where_there_is_one(client: TestClient, whole: Path) -> None:
    asked = ("/api/audit", f"/api/site?site={SITE}")
    addresses = [client.get(one).json()["report"] for one in asked]
    assert addresses == ["/report/index.html", f"/report/sites/{SITE}.html"]
    assert all(client.get(a).status_code == 200 for a in addresses)
    shutil.rmtree(whole / "report")
    assert [client.get(one).json()["report"] for one in asked] == [None, None]


def test_pages_may_run_the_reports_own_scripts_and_no_others(client: TestClient, whole: Path) -> None:
    policy = client.get("/report/index.html").headers["content-security-policy"]
    script = next(d for d in policy.split("; ") if d.startswith("script-src")).split()[1:]
    assert len(script) == 3
    assert all(re.fullmatch(r"'sha256-[A-Za-z0-9+/]{43}='", one) for one in script)
    for part in ("default-src 'none'", "form-action 'none'", "frame-ancestors 'none'"):
        assert part in policy.split("; ")
    for path in ("index.html", "antennas.html", f"sites/{SITE}.html"):
        own = re.search(r"script-src &#39;([^&]*)&#39;", client.get(f"/report/{path}").text)
        assert own
        assert f"'{own[1]}'" in script


def test_nothing_beside_pages_and_pictures_is_served(client: TestClient, whole: Path, tmp_path: Path) -> None:
    (tmp_path / "secret.html").write_text("secret", encoding="utf-8")
    os.symlink(tmp_path / "secret.html", whole / "report" / "link.html")
    (whole / "report" / "notes.txt").write_text("notes", encoding="utf-8")
    for path in (
        "/report/link.html",
        "/report/notes.txt",
        "/report/%2e%2e/results.sqlite",
        "/report/..%2f..%2fsecret.html",
        "/report/sites/..%2f..%2f..%2fsecret.html",
        "/report/%00.html",
        "/report/",
        "/overlays/none.jpg",
        "/results.sqlite",
    ):
        assert client.get(path).status_code == 404, path
