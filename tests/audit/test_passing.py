"""Reasons of the moment are tried again, reasons of the file are kept; pixels are those that were read, or none."""

from __future__ import annotations

import csv
import functools
import http.server
import json
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

import photoaz.estimate.pipeline
from photoaz.audit import files
from photoaz.audit.photos import read_photo
from photoaz.cli import main
from photoaz.errors import InputError, LostPhotoError
from photoaz.estimate.inputs import SiteInputs, Tools
from photoaz.memory import recall
from photoaz.photo import pixels
from photoaz.photo.pixels import Darkroom, Picture
from photoaz.result import ById, PhotoResult
from photoaz.sample import sample_dir

#: what readings may suffer is worked out once of sites that are alike
pytestmark = pytest.mark.usefixtures("seen_before")
SAMPLE = sample_dir()
SOME = (2, 4, 8)
PLAIN = ("--overlays", "none", "--sheets", "none", "--jobs", "1", "-q")


def audited(archive: Path | str, out: Path, *more: object, code: int | None = None) -> Result:
    command = ["audit", archive, "--register", SAMPLE / "register.csv", "--out", out, *PLAIN, *more]
    result = CliRunner().invoke(main, [str(a) for a in command])
    assert result.exit_code in ((0, 1) if code is None else (code,)), (result.output, result.exception)
    return result


def failures(out: Path) -> dict[str, str]:
    with (out / "failures.csv").open(encoding="utf-8-sig", newline="") as file:
        return {Path(row["file"]).name: row["reason"] for row in csv.DictReader(file)}


def used(out: Path) -> list[str]:
    site = json.loads((out / "estimates.json").read_text(encoding="utf-8"))["sites"][0]
    return [Path(p["photo"]).name for p in site["photos"] if p["status"] == "used"]


ALL = [f"qlb014_{k}.jpg" for k in SOME]


@pytest.fixture
def solver(monkeypatch: pytest.MonkeyPatch, solved_by_design: Callable[..., Any]) -> list[SiteInputs]:
    """Decodes every photo as the finder does, and remembers the mean of its pixels as evidence."""
    calls: list[SiteInputs] = []

    def solve_site(given: SiteInputs, tools: Tools) -> Any:
        calls.append(given)
        levels, rejected = {}, []
        for p in given.photos:
            assert p.record is not None
            picture = Picture(p.path, (p.record.width_px, p.record.height_px), tools.room, p.digest)
            try:
                value = recall(tools.memory, "mean", (picture,), float, lambda pic=picture: float(pic.grey().mean()))
                levels[p.name] = value
            except InputError as e:
                rejected.append(PhotoResult(photo=p.name, status="rejected", reason=str(e)))
        seen = replace(given, photos=tuple(p for p in given.photos if p.name in levels))
        result = solved_by_design(seen, lambda _: float(np.mean(list(levels.values()))) / 100.0).result()
        result = replace(result, photos=ById((*result.photos, *rejected)))
        return SimpleNamespace(result=lambda: result)

    monkeypatch.setattr(photoaz.estimate.pipeline, "solve_site", solve_site)
    return calls


def deny(patch: pytest.MonkeyPatch, name: str) -> None:
    """The system refuses to read a file of this name, as it does after chmod 000, to root as well."""
    opened = Path.open

    def refusing(path: Path, *how: Any, **more: Any) -> Any:
        if path.name == name:
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, *how, **more)

    patch.setattr(Path, "open", refusing)


def test_a_photo_that_could_not_be_read_is_tried_again(archive: Path, tmp_path: Path, solver: list[SiteInputs]) -> None:
    out = tmp_path / "out"
    with pytest.MonkeyPatch.context() as patch:
        deny(patch, ALL[0])
        audited(archive, out)
        assert "no access" in failures(out)[ALL[0]]
    audited(archive, out)
    assert failures(out) == {}
    assert used(out) == ALL


def test_a_damaged_photo_is_not_read_again_until_it_changes(
    archive: Path, tmp_path: Path, solver: list[SiteInputs], monkeypatch: pytest.MonkeyPatch
) -> None:
    (archive / "damaged.jpg").write_bytes(b"no photo")
    asked: list[str] = []
    fetch = files.fetch
    monkeypatch.setattr("photoaz.audit.photos.fetch", lambda f: asked.append(Path(f.url).name) or fetch(f))
    for _ in range(2):
        audited(archive, tmp_path / "out")
    assert asked.count("damaged.jpg") == 1
    (archive / "damaged.jpg").write_bytes(b"still no photo")
    audited(archive, tmp_path / "out")
    assert asked.count("damaged.jpg") == 2


@pytest.mark.parametrize("when", ["reading", "decoding"])
def test_a_photo_for_which_memory_lacked_is_tried_again(
    archive: Path, tmp_path: Path, solver: list[SiteInputs], when: str
) -> None:
    out = tmp_path / "out"

    def lacking(*_: object, **__: object) -> Any:
        if when == "reading":
            raise MemoryError
        raise cv2.error("Insufficient memory")

    with pytest.MonkeyPatch.context() as patch:
        if when == "reading":
            patch.setattr("photoaz.audit.photos.read_record", lacking)
        else:
            # as OpenCV raises it (core/error.hpp, StsNoMem = -4)
            patch.setattr(cv2.error, "code", cv2.Error.StsNoMem, raising=False)
            patch.setattr(pixels, "_averaged", lacking)
            patch.setattr(cv2, "imdecode", lacking)
        audited(archive, out, code=2)
        assert all("memory" in failures(out)[name] for name in ALL)
    audited(archive, out)
    assert used(out) == ALL


# ---- a server that has its moments -----------------------------------------------------------------------------------


class _Moody(http.server.SimpleHTTPRequestHandler):
    """Serves a folder. trouble: what becomes of a request for a photo's body after the first `good` of them."""

    trouble: str | None = None
    good = 0
    bodies = 0

    def do_GET(self) -> None:
        kind = type(self)
        if not self.path.endswith(".jpg") or kind.trouble is None:
            super().do_GET()
            return
        kind.bodies += 1
        if kind.bodies <= kind.good:
            super().do_GET()
        elif kind.trouble == "dropped":
            self.send_response(200)
            self.send_header("Content-Length", "100000")
            self.end_headers()
            self.wfile.write(b"\xff\xd8\xff")
            self.close_connection = True
        else:
            self.send_error(int(kind.trouble))

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def web(archive: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, type[_Moody]]]:
    pytest.importorskip("aiohttp", reason="photos behind http need aiohttp")
    monkeypatch.setattr(files, "_FIRST_WAIT_S", 0.01)
    handler = type("Handler", (_Moody,), {})
    serve = functools.partial(handler, directory=str(archive))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), serve) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.server_address[1]}/", handler
        server.shutdown()
        thread.join()


@pytest.mark.parametrize("trouble", ["503", "403", "dropped"])
def test_photos_of_a_server_with_troubles_are_tried_again(
    web: tuple[str, type[_Moody]], tmp_path: Path, solver: list[SiteInputs], trouble: str
) -> None:
    url, handler = web
    # one photo is read, and none can be opened to be solved
    handler.trouble, handler.good, out = trouble, 1, tmp_path / "out"
    audited(url, out, code=2)
    assert set(failures(out)) == set(ALL)
    handler.trouble = None
    audited(url, out)
    assert failures(out) == {}
    assert used(out) == ALL


def test_a_site_whose_photos_could_not_be_opened_is_solved_again(
    web: tuple[str, type[_Moody]], tmp_path: Path, solver: list[SiteInputs]
) -> None:
    url, handler = web
    # every photo is read, and of those opened again to be solved only the first comes
    handler.trouble, handler.good, out = "503", len(ALL) + 1, tmp_path / "out"
    audited(url, out)
    assert len(used(out)) == 1
    handler.trouble = None
    audited(url, out)
    assert used(out) == ALL
    assert len(solver) == 2
    audited(url, out)
    assert len(solver) == 2


# ---- photos that change under the hand -------------------------------------------------------------------------------


def estimates(out: Path) -> list[Any]:
    found: list[Any] = json.loads((out / "estimates.json").read_text(encoding="utf-8"))["sites"]
    return found


@pytest.mark.parametrize("keeps_stamp", [False, True])
def test_a_photo_that_changes_between_reading_and_solving_poisons_nothing(
    archive: Path, tmp_path: Path, solver: list[SiteInputs], monkeypatch: pytest.MonkeyPatch, keeps_stamp: bool
) -> None:
    victim, out = archive / ALL[1], tmp_path / "out"
    original, status = victim.read_bytes(), victim.stat()
    brighter = np.clip(pixels.decode(original).astype(int) + 60, 0, 255).astype(np.uint8)
    other = cv2.imencode(".jpg", brighter)[1].tobytes()
    if keeps_stamp:
        other += bytes(max(len(original) - len(other), 0))
        other = other[: len(original)]
    solve_site = photoaz.estimate.pipeline.solve_site

    def changing(given: SiteInputs, tools: Tools) -> Any:
        victim.write_bytes(other)
        if keeps_stamp:
            os.utime(victim, ns=(status.st_atime_ns, status.st_mtime_ns))
        return solve_site(given, tools)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(photoaz.estimate.pipeline, "solve_site", changing)
        audited(archive, out)
    assert "other content than was read" in failures(out)[ALL[1]]
    assert used(out) == [ALL[0], ALL[2]]
    victim.write_bytes(original)
    os.utime(victim, ns=(status.st_atime_ns, status.st_mtime_ns))
    audited(archive, out)
    audited(archive, tmp_path / "fresh")
    assert estimates(out) == estimates(tmp_path / "fresh")
    assert used(out) == ALL


def test_a_photo_that_changes_before_its_picture_is_drawn_is_not_drawn_into_old_results(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, solved_by_design: Callable[..., Any]
) -> None:
    victim, out = archive / ALL[1], tmp_path / "out"

    def solve_site(given: SiteInputs, tools: Tools) -> Any:
        victim.write_bytes((SAMPLE / "qlb014_1.jpg").read_bytes())
        result = solved_by_design(given, lambda _: 0.0).result()
        looked = (0, 0, 200, 200)
        result = replace(result, photos=ById(replace(p, window_px=looked) for p in result.photos))
        return SimpleNamespace(result=lambda: result)

    monkeypatch.setattr(photoaz.estimate.pipeline, "solve_site", solve_site)
    audited(archive, out, "--overlays", "all")
    assert "other content than was read" in failures(out)[ALL[1]]
    assert [p.stem.rpartition(" ")[2] for p in sorted((out / "overlays").rglob("*.jpg"))] == ["qlb014_2", "qlb014_8"]


def test_pixels_are_held_against_the_digest_that_is_named(archive: Path) -> None:
    photo = archive / ALL[0]
    digest = read_photo(files.PhotoFile(str(photo), None, "")).digest
    room = Darkroom()
    Picture(photo, (640, 480), room, digest).grey()
    shutil.copy(archive / ALL[1], photo)
    with pytest.raises(LostPhotoError, match=f"{ALL[0]}: found other content than was read"):
        Picture(photo, (640, 480), Darkroom(), digest).grey()
    # what a darkroom holds is of what was read, and never taken for another content of that file
    now = read_photo(files.PhotoFile(str(photo), None, "")).digest
    assert not np.array_equal(
        Picture(photo, (640, 480), room, now).grey(), Picture(photo, (640, 480), room, digest).grey()
    )
