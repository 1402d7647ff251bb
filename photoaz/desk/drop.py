"""The desk's page on which photos are dropped, as a web application."""

from __future__ import annotations

import re
import tempfile
import zipfile
from collections.abc import Callable, Collection
from dataclasses import asdict
from pathlib import Path
from typing import Any

from anyio import CapacityLimiter, to_thread
from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from photoaz.audit.edits import checked
from photoaz.desk.answering import (
    REFUSED,
    TILE_ROUTE,
    Answered,
    Said,
    WrongError,
    application,
    asked,
    csv_download,
    faults_told,
    page_routes,
    read_place,
    read_tile,
    refusal,
    whole_number,
)
from photoaz.desk.exports import decisions_csv
from photoaz.desk.form import DroppedPhoto, seen_at_deg
from photoaz.desk.guard import CLOSED, TOO_LARGE, Guard
from photoaz.desk.project import MOST_PHOTO, MOST_REGISTER, Project
from photoaz.desk.tiles import NothingThereError
from photoaz.desk.views import answer_view, record_view
from photoaz.errors import InputError
from photoaz.geodesy.frames import geodesic
from photoaz.naming.places import match_places, places_of, site_index
from photoaz.photo.inspect import known_values, verdict
from photoaz.present.pictures import draw
from photoaz.register.model import Antenna, Site
from photoaz.wording import GOING, before_you_go

#: seconds that a request waits for the answer before it says 'not yet'
PATIENCE_S = 20.0
#: sites of a register that the page offers, the nearest first
MOST_SITES = 40
#: what of a photo's metadata tells on azimuths
KNOWN = ("standpoint", "heading", "pitch", "roll", "taken", "focal length")
#: what somebody may take along, by name
TABLES = ("register.csv", "picks.csv", "controls.csv", "manifest.csv")
UPLOADS = {"/api/photo": MOST_PHOTO, "/api/register": MOST_REGISTER}
#: a sheet's own style and pictures, and nothing else: no script
SHEET_POLICY = f"{CLOSED}; style-src 'unsafe-inline'; img-src data:"


def make_drop_app(
    project: Project,
    *,
    token: str,
    names: Collection[str] | None = (),
    ticket: str | None = None,
    address: str | None = None,
) -> Any:
    """The application. names, token, ticket: as `Guard`. address: under which other devices reach it, if they do."""
    waiting = CapacityLimiter(100)

    def about(of: Project, request: Request, said: Said) -> Answered:
        return _about(of, request, said) | {"address": address}

    routes = [
        *page_routes(),
        Route("/api/audit", asked(project, about)),
        Route("/api/project", asked(project, about)),
        Route("/api/photo", _arrival(project, Project.take_photo), methods=["POST"]),
        Route("/api/register", _arrival(project, Project.take_register), methods=["POST"]),
        Route("/api/remove", asked(project, _remove), methods=["POST"]),
        Route("/api/panels", asked(project, _panels, waiting)),
        Route("/api/place", asked(project, read_place), methods=["POST"]),
        Route("/api/form", asked(project, _form), methods=["POST"]),
        Route("/api/measure", asked(project, _measure), methods=["POST"]),
        Route("/api/solved", asked(project, _solved, waiting)),
        Route("/api/decide", asked(project, _decide), methods=["POST"]),
        Route("/project/sheet.html", asked(project, _sheet)),
        Route("/project/project.zip", asked(project, _zip)),
        Route("/project/{name}", asked(project, _table)),
        Route(TILE_ROUTE, asked(project, read_tile)),
    ]
    return Guard(application(routes, project.close), names, token, ticket, UPLOADS)


def _about(project: Project, _request: Request, _said: Said) -> dict[str, Any]:
    known = project.register
    return {
        "drop": True,
        "name": "Photos",
        "folder": str(project.folder),
        "photos": [_photo(p) for p in project.photos],
        "form": project.form.as_json(),
        "sites": None if known is None else _sites(project),
        "faults": 0 if known is None else len(known.faults),
        "cautions": {action: before_you_go([action]) for action in GOING},
    }


def _photo(photo: DroppedPhoto) -> dict[str, Any]:
    record = photo.record
    return record_view(record) | {
        "photo": photo.name,
        "label": photo.told,
        "digest": photo.digest,
        "knows": [[name, _degrees(words)] for name, words in known_values(record) if name in KNOWN],
        "verdict": verdict(record),
        "looks_deg": seen_at_deg(record, None),
    }


def _degrees(words: str) -> str:
    return re.sub(r" deg\b", "°", words).replace("+- ", "± ")


def _sites(project: Project) -> list[dict[str, Any]]:
    """The register's sites that the photos may show, the likeliest and nearest first."""
    assert project.register is not None
    sites = project.register.sites
    placed = [p.record for p in project.photos if p.record.position is not None]
    likely: dict[str, float] = {}
    for match in match_places(site_index(sites), places_of(placed)):
        if match.site is not None:
            likely[match.site] = max(likely.get(match.site, 0.0), match.probability)
        likely |= {name: p for name, p in match.alternatives if p > likely.get(name, 0.0)}
    at = next((r.position for r in placed if r.position is not None), None)

    def away_m(site: Site) -> float | None:
        return None if at is None else geodesic(at.lat_deg, at.lon_deg, site.lat_deg, site.lon_deg)[2]

    told = [(site, away_m(site)) for site in sites]
    told.sort(key=lambda one: (-likely.get(one[0].site_id, 0.0), one[1] or 0.0))
    return [
        {
            "site_id": site.site_id,
            "lat_deg": site.lat_deg,
            "lon_deg": site.lon_deg,
            "away_m": away,
            "probability": likely.get(site.site_id),
            "antennas": [_antenna(a) for a in site.antennas],
        }
        for site, away in told[:MOST_SITES]
    ]


def _antenna(antenna: Antenna) -> dict[str, Any]:
    reading = antenna.reading
    return {
        "antenna_id": antenna.antenna_id,
        "height_m": antenna.rad_center_m,
        "design_deg": antenna.design_azimuth_deg,
        "design_north": antenna.design_north,
        "tolerance_deg": antenna.tolerance_deg,
        "reading_deg": None if reading is None else reading.azimuth_deg,
        "reading_north": None if reading is None else reading.north,
    }


def _arrival(project: Project, take: Callable[[Project, Path, str], Any]) -> Callable[[Request], Any]:
    """An endpoint that a file is sent to: written as it comes, never held, and taken when all of it is there."""

    async def arrived(request: Request) -> Response:
        most = UPLOADS[request.url.path]
        told = request.query_params.get("name", "")[:500]
        try:
            project.room_for(int(request.headers.get("content-length", "0")))
            with project.arriving() as path:
                size = 0
                with path.open("wb") as file:
                    async for chunk in request.stream():
                        size += len(chunk)
                        if size > most:
                            return PlainTextResponse(TOO_LARGE.format(most) + "\n", 413)
                        await to_thread.run_sync(file.write, chunk)
                await to_thread.run_sync(take, project, path, told)
            return JSONResponse(await to_thread.run_sync(_about, project, request, {}))
        except REFUSED as e:
            return refusal(e)

    return arrived


def _remove(project: Project, request: Request, said: Said) -> Answered:
    if said.get("register") is True:
        project.drop_register()
    else:
        project.remove_photo(str(said.get("digest")))
    return _about(project, request, said)


def _panels(project: Project, request: Request, _said: Said) -> Answered:
    return {"panels": [asdict(p) for p in project.panels(request.query_params.get("photo", ""))]}


def _form(project: Project, _request: Request, said: Said) -> Answered:
    project.fill_in(said)
    return {}


def _measure(project: Project, _request: Request, said: Said) -> Answered:
    """The ticket to wait for, or what is wrong with the form: line 2 of the register is the first antenna."""
    try:
        return {"ticket": project.ask(said), "faults": []}
    except InputError as e:
        return {"ticket": None, "faults": faults_told(e)}


def _solved(project: Project, request: Request, _said: Said) -> Answered:
    ticket = whole_number(request, "ticket", 1, 10**9)
    out = answer_view(project.solver.answer("project", ticket, PATIENCE_S))
    if out.get("document"):
        site, _ = project.answer()
        out["site"] = {"site_id": site.site_id, "lat_deg": site.lat_deg, "lon_deg": site.lon_deg}
    return out


def _decide(project: Project, _request: Request, said: Said) -> Answered:
    antenna_id, verdict_, note = (str(said.get(k) or "")[:1000] for k in ("antenna_id", "verdict", "note"))
    who = " ".join(str(said.get("who") or "").split())[:100]
    if not who:
        raise WrongError("your name is needed: it stands on the sheet")
    _, result = project.answer()
    body = {"antenna_id": antenna_id, "verdict": verdict_, "note": note}
    checked("decision", body, None, [a.antenna_id for a in result.antennas])
    project.decide(antenna_id, verdict_, note, who)
    return {"decisions": [asdict(d) for d in project.decisions()]}


def _sheet(project: Project, request: Request, _said: Said) -> Answered:
    """An antenna's sheet, with what was decided."""
    site, result = project.answer()
    wanted = request.query_params.get("antenna", "")
    if result.antennas.get(wanted) is None:
        raise NothingThereError(f"no antenna '{wanted[:60]}' was measured")
    files = {p.name: p.path for p in project.photos}
    (sheet,) = (one for one in draw(site, result, files, sheets=[wanted]) if one.kind == "sheet")
    headers = {"content-security-policy": SHEET_POLICY}
    if request.query_params.get("save"):
        name = re.sub(r"[^A-Za-z0-9_-]+", "_", f"{site.site_id}-{wanted}")[:80]
        headers["content-disposition"] = f'attachment; filename="{name}.html"'
    return Response(sheet.data, media_type="text/html; charset=utf-8", headers=headers)


def _table(project: Project, request: Request, _said: Said) -> Answered:
    name = request.path_params["name"]
    if name == "decisions.csv":
        return csv_download(name, _decisions(project))
    path = project.folder / name
    if name not in TABLES or not path.is_file():
        raise NothingThereError(f"{', '.join(TABLES)} can be had, once something was measured")
    return csv_download(name, path.read_text(encoding="utf-8-sig"))


def _decisions(project: Project) -> str:
    site, _ = project.answer()
    return decisions_csv([(site.site_id, project.edits())])


def _zip(project: Project, _request: Request, _said: Said) -> Answered:
    """The whole folder: photos and tables, and what was decided."""
    packed = Path(tempfile.mkstemp(prefix="photoaz-", suffix=".zip")[1])
    with zipfile.ZipFile(packed, "w") as out:  # photos are packed already
        for photo in project.photos:
            out.write(photo.path, f"project/photos/{photo.path.name}")
        for path in (*(project.folder / name for name in TABLES), project.folder / "register.xlsx"):
            if path.is_file():
                out.write(path, f"project/{path.name}")
        if project.decisions():
            out.writestr("project/decisions.csv", "\ufeff" + _decisions(project))
    gone = BackgroundTask(packed.unlink, missing_ok=True)
    return FileResponse(packed, media_type="application/zip", filename="project.zip", background=gone)
