"""An archive made to break things, through the whole chain: register to tables, maps, pages, sheets and desk."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import lxml.etree
import lxml.html
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import photoaz.estimate.pipeline
from photoaz.audit.filenames import shown
from photoaz.cli import main
from photoaz.sample import sample_dir

SAMPLE = sample_dir()
# By context: markup, attributes, styles, templates, links, formulas (OWASP's cheat sheets on cross site scripting and
# CSV injection, not word for word), shells, SQL, paths and text that turns around
HOSTILE = (
    "<script>alert(1)</script>",
    "</script><script>alert(1)</script>",
    "</title></style></textarea><script>alert(1)</script>",
    "</text></svg><img src=x onerror=alert(1)>",
    "--><script>alert(1)</script><!--",
    "<!--<script>",
    "]]><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "<svg onload=alert(1)>",
    "<svg><animate onbegin=alert(1) attributeName=x dur=1s>",
    "<iframe srcdoc='<script>parent.alert(1)</script>'>",
    "<a href=javascript:alert(1)>x</a>",
    "javascript:alert(1)",
    "data:text/html,<script>alert(1)</script>",
    '" onmouseover=alert(1) x="',
    "' onfocus=alert(1) autofocus='",
    "` onload=alert(1)",
    'x" style="background:url(http://x.test/)"',
    "&lt;script&gt;alert(1)&lt;/script&gt;",
    "<meta http-equiv=refresh content='0;url=http://x.test/'>",
    "<base href=http://x.test/>",
    "<link rel=stylesheet href=http://x.test/x.css>",
    "{{ 7 * 7 }}{% raw %}${7*7}",
    '=HYPERLINK("http://x.test","x")',
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "+1+cmd",
    "-2+3|x",
    "../../../../etc/passwd",
    "\u202eabc\u2066 \x08\x1b[31m",
    "'; DROP TABLE sites; --",
    "$(touch x) `touch y` %s %n",
    "a\nb\tc",
    "CON",
    "." * 300,
)
#: names of files that a file system takes, as bytes
NAMES = (
    b"a\nb.jpg",
    b"q\"u'o.jpg",
    b"not \xff\xfe UTF-8.jpg",
    b"\xe2\x80\xaeturned.jpg",
    b"=1+1.jpg",
    b"-rf.jpg",
    b"<b>.jpg",
)


def noise(seed: int) -> bytes:
    """A small photo of nothing, without metadata, unlike any other."""
    held = io.BytesIO()
    levels = np.random.default_rng(seed).integers(0, 255, (12, 16), np.uint8)
    Image.fromarray(levels).resize((320, 240)).convert("RGB").save(held, "JPEG")
    return held.getvalue()


def bomb() -> bytes:
    """A PNG of 30000 x 30000 pixels, of which a few bytes are there."""
    size = struct.pack(">IIBBBBB", 30000, 30000, 8, 2, 0, 0, 0)
    out = b"\x89PNG\r\n\x1a\n"
    for kind, body in ((b"IHDR", size), (b"IDAT", zlib.compress(bytes(1000))), (b"IEND", b"")):
        out += struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
    return out


@pytest.fixture(scope="module")
def stand_in(solved_by_design: Callable[..., Any]) -> Callable[..., Any]:
    """All antennas 9 degrees off their designs, seen in every photo."""
    return lambda given, _tools: solved_by_design(given, lambda _: 9.0)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory, stand_in: Callable[..., Any]) -> Iterator[Path]:
    """The folder of results; beside it `archive`, `register.csv` and `manifest.csv`."""
    home = tmp_path_factory.mktemp("hostile")
    archive = home / "archive"
    archive.mkdir()
    header, first, *_ = (SAMPLE / "register.csv").read_text(encoding="utf-8").splitlines()
    row = next(csv.DictReader([header, first]))
    rows, placed = [], []
    for k, text in enumerate(HOSTILE):
        for n in range(2):
            more = {"sector": text, "owner": text, "site_lat_deg": f"{46.6 + 0.05 * k:.6f}"}
            rows.append(row | {"site_id": text, "antenna_id": f"{text}{n}", "position": str(n + 1)} | more)
        (archive / f"p{k}.jpg").write_bytes(noise(k))
        placed.append((f"p{k}.jpg", text))
    rows.append(rows[0] | {"antenna_id": "bad", "site_lat_deg": HOSTILE[0]})
    for k, name in enumerate(NAMES):
        Path(os.fsdecode(os.fsencode(archive) + b"/" + name)).write_bytes(noise(100 + k))
    (archive / "loop.jpg").write_bytes(
        b"\xff\xd8\xff\xe1\0\x2aExif\0\0MM\0*\0\0\0\x08\0\x01\x87\x69\0\x04\0\0\0\x01\0\0\0\x08\0\0\0\x08" + bytes(20)
    )
    (archive / "bomb.png").write_bytes(bomb())
    (archive / "cut.jpg").write_bytes((SAMPLE / "qlb014_1.jpg").read_bytes()[:300])
    (archive / "drawing.tif").write_bytes(b"II*\0\xff\xff\xff\xff")
    (archive / "empty.heic").write_bytes(b"")
    for name, table in (("register.csv", rows), ("manifest.csv", [{"photo": p, "site_id": s} for p, s in placed])):
        with (home / name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, table[0])
            writer.writeheader()
            writer.writerows(table)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(photoaz.estimate.pipeline, "solve_site", stand_in)
        command = ["audit", archive, "--register", home / "register.csv", "--manifest", home / "manifest.csv"]
        options = ["--out", home / "out", "--jobs", "1", "--sheets", "all", "-q"]
        done = CliRunner().invoke(main, [str(a) for a in (*command, *options)])
    assert done.exit_code == 1, (done.output, done.exception)
    assert "Traceback" not in done.output
    yield home / "out"
    shutil.rmtree(home)


def document(out: Path) -> dict[str, Any]:
    text = (out / "estimates.json").read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text, parse_constant=lambda c: pytest.fail(f"{c} in JSON"))
    return found


def test_every_site_is_done_and_every_other_file_has_its_reason(results: Path) -> None:
    sites = {s["site_id"]: s for s in document(results)["sites"]}
    assert set(sites) == {t.strip() for t in HOSTILE}
    for text, site in sites.items():
        assert [p["status"] for p in site["photos"]] == ["used"]
        assert [a["antenna_id"] for a in site["antennas"]] == [f"{text}0", f"{text}1"]
    with (results / "failures.csv").open(encoding="utf-8-sig", newline="") as file:
        reasons = {row["file"].lstrip("'"): row["reason"] for row in csv.DictReader(file)}
    names = {Path(f).name for f in reasons}
    odd = {shown(os.fsdecode(name)) for name in NAMES}
    assert odd | {"loop.jpg", "bomb.png", "cut.jpg", "drawing.tif", "empty.heic"} <= names
    assert any("pixels" in r for f, r in reasons.items() if f.endswith("bomb.png"))
    assert all(r and "photoaz failed" not in r for r in reasons.values())
    assert any("line" in r or "register.csv" in f for f, r in reasons.items())


def test_no_cell_of_a_table_is_a_formula(results: Path) -> None:
    for path in results.glob("*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
        assert len({len(r) for r in rows}) == 1, path.name
        for cell in (c for row in rows for c in row):
            assert not re.match(r"[=@\t\r]|[+-](?![\d.]*([eE][+-]?\d+)?$)", cell), (path.name, cell)


def test_maps_are_whole_and_hold_the_names_as_text(results: Path) -> None:
    points = json.loads((results / "sites.geojson").read_text(encoding="utf-8"))
    assert len(points["features"]) >= len(HOSTILE)
    root = lxml.etree.parse(results / "sites.kml", lxml.etree.XMLParser(resolve_entities=False)).getroot()
    assert {lxml.etree.QName(e).namespace for e in root.iter(lxml.etree.Element)} == {"http://www.opengis.net/kml/2.2"}
    text = " ".join(root.itertext())
    for hostile in HOSTILE[:3]:
        # a description is markup within the text; what is in it is escaped once more
        assert hostile in text or hostile.replace("<", "&lt;").replace(">", "&gt;") in text


def test_pages_and_sheets_hold_no_markup_of_others(results: Path) -> None:
    pages = [p for p in results.rglob("*") if p.suffix in (".html", ".svg")]
    assert len(pages) > len(HOSTILE)
    for path in pages:
        assert path.resolve().is_relative_to(results.resolve())
        page = lxml.html.fromstring(path.read_bytes())
        for element in page.iter(lxml.etree.Element):
            tag = element.tag
            assert tag not in ("iframe", "base", "object", "embed", "animate", "foreignobject"), (path.name, tag)
            for name, value in element.attrib.items():
                assert not name.lower().startswith("on"), (path.name, name)
                assert "javascript:" not in value.lower() or name in ("alt", "title", "aria-label", "value", "id")
        scripts = ["".join(s.itertext()) for s in page.iter("script") if s.get("type") != "text/plain"]
        assert len(scripts) <= 1
        assert not any("alert(1)" in s for s in scripts)


def test_the_report_can_be_written_again(results: Path) -> None:
    before = document(results)["sites"]
    done = CliRunner().invoke(main, ["report", str(results), "-q"])
    assert done.exit_code == 0, (done.output, done.exception)
    assert document(results)["sites"] == before


def test_inspect_takes_any_name(results: Path) -> None:
    archive = results.parent / "archive"
    paths = [p for p in os.listdir(os.fsencode(archive)) if not p.startswith(b"p")]
    command = [sys.executable, "-m", "photoaz", "inspect", "--json", "--"]
    done = subprocess.run([*map(os.fsencode, command), *paths], cwd=archive, capture_output=True)
    assert done.returncode == 1, done.stderr
    assert b"Traceback" not in done.stderr
    assert len(json.loads(done.stdout)["photos"]) >= len(NAMES)
    plain = subprocess.run([*map(os.fsencode, command[:4]), b"--", *paths], cwd=archive, capture_output=True)
    assert plain.returncode == 1
    assert b"Traceback" not in plain.stderr


def test_estimate_takes_any_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stand_in: Callable[..., Any]) -> None:
    monkeypatch.setattr(photoaz.estimate.pipeline, "solve_site", stand_in)
    photos = [os.fsdecode(os.fsencode(tmp_path) + b"/" + name) for name in NAMES]
    for k, photo in enumerate(photos):
        shutil.copy(SAMPLE / f"qlb014_{k + 1}.jpg", photo)
    command = ["estimate", *photos, "--register", str(SAMPLE / "register.csv")]
    done = CliRunner().invoke(main, [*command, "--overlay", str(tmp_path / "pictures"), "--json"])
    assert done.exit_code == 0, (done.output, done.exception)
    seen = json.loads(done.stdout)["sites"][0]["photos"]
    assert len({p["photo"] for p in seen}) == len(NAMES)
    assert CliRunner().invoke(main, command).exit_code == 0


# ---- in a browser ---------------------------------------------------------------------------------------------------


@pytest.fixture
def tab(browser: Any) -> Iterator[Any]:
    """A tab that keeps what it was asked to load, and everything that a script said or raised."""
    context = browser.new_context()
    page = context.new_page()
    page.asked, page.alarms = [], []
    page.on("request", lambda r: page.asked.append(r.url))
    page.on("pageerror", lambda e: page.alarms.append(str(e)))
    page.on("dialog", lambda d: (page.alarms.append(f"dialog {d.message}"), d.dismiss()))
    yield page
    context.close()


def test_a_browser_runs_nothing_of_it_in_the_report(results: Path, tab: Any) -> None:
    for path in [p for p in sorted(results.rglob("*")) if p.suffix in (".html", ".svg")]:
        tab.goto(path.as_uri())
        tab.wait_for_timeout(5)
        assert tab.alarms == [], path.name
    assert all(u.startswith(("file:", "data:")) for u in tab.asked)


def test_a_browser_runs_nothing_of_it_in_the_desk(results: Path, tab: Any) -> None:
    command = [sys.executable, "-m", "photoaz", "desk", str(results), "--port", "0", "--no-browser"]
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    try:
        found = re.search(r"http://[^/]+/\S*", process.stderr.readline())
        assert found
        tab.goto(found[0])
        tab.wait_for_selector("text=passwd", timeout=30_000)
        origin = found[0].split("/", 3)
        answer = tab.evaluate("async () => (await fetch('/api/sites?limit=200')).text()")
        listed = json.loads(answer)
        ids = {row["site_id"] for row in listed["rows"]}
        assert ids == {t.strip() for t in HOSTILE}
        for text in ids:
            said = tab.evaluate(
                "async (id) => { const r = await fetch('/api/site?site=' + encodeURIComponent(id));"
                " return [r.status, r.headers.get('content-type')]; }",
                text,
            )
            assert said[0] == 200, (text, said)
            assert said[1].startswith("application/json")
        assert tab.alarms == []
        foreign = [u for u in tab.asked if not u.startswith(("/".join(origin[:3]), "data:", "blob:"))]
        assert foreign == []
        tags = tab.evaluate("Array.from(new Set(Array.from(document.querySelectorAll('body *')).map(e => e.tagName)))")
        assert not {"IFRAME", "BASE", "META", "LINK", "ANIMATE"} & set(tags)
        assert tab.evaluate("document.querySelectorAll('[onerror],[onload],[onfocus],[onmouseover]').length") == 0
    finally:
        process.terminate()
        process.stderr.close()
        process.wait(30)
