"""The desk as a web application: the page's files, tiles, and what the page asks and says."""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import Path
from typing import Any

import numpy as np
from anyio import CapacityLimiter
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from photoaz.angles import wrap_rad
from photoaz.audit.edits import point_of
from photoaz.desk.answering import (
    TILE_ROUTE,
    Answered,
    Said,
    WrongError,
    application,
    asked,
    csv_download,
    page_routes,
    read_place,
    read_tile,
    whole_number,
)
from photoaz.desk.exports import controls_csv, decisions_csv, picks_csv
from photoaz.desk.guard import CLOSED, Guard
from photoaz.desk.session import Desk, SiteNow
from photoaz.desk.states import MOST_ROWS, ORDERS, SHOWS, STATES, SitesWanted, row_of
from photoaz.desk.tiles import NothingThereError
from photoaz.desk.views import answer_view, edits_view, near, site_view, tally_view
from photoaz.photo.calibration import camera_from_calibration
from photoaz.photo.camera import Camera, camera_from_record, directions_from_pixels, rotation_cam_from_enu
from photoaz.present.folder import OWN_FOLDERS
from photoaz.present.frame import asset, source_hash
from photoaz.present.words import DESK_MARK, page_name

#: seconds that a request waits for the solver before it says 'not yet'
PATIENCE_S = 20.0
#: and how many do that at once; more wait for their turn to wait
MOST_WAITING = 200


def make_app(desk: Desk, *, names: Collection[str] | None = (), token: str | None = None) -> Any:
    """The application. names, token: as `Guard`. The desk is closed when the application shuts down."""
    # whoever waits for the solver holds a thread: of these there are more, and not those of the others
    waiting = CapacityLimiter(MOST_WAITING)

    routes = [
        *page_routes(),
        Route("/api/audit", asked(desk, _audit)),
        Route("/api/sites", asked(desk, _sites)),
        Route("/api/site", asked(desk, _site)),
        Route("/api/solved", asked(desk, _solved, waiting)),
        Route("/api/act", asked(desk, _act), methods=["POST"]),
        Route("/api/plumb", asked(desk, _plumb), methods=["POST"]),
        Route("/api/place", asked(desk, read_place), methods=["POST"]),
        Route(TILE_ROUTE, asked(desk, read_tile)),
        Route("/export/{name}", asked(desk, _export)),
        *(Route(path, asked(desk, read_report)) for path in REPORT_ROUTES),
    ]
    return Guard(application(routes, desk.close), names, token)


def _audit(desk: Desk, _request: Request, _said: Said) -> Answered:
    lines = desk.lines()
    return {
        "name": desk.folder.name if desk.folder is not None else desk.audit[1],
        "sites": len(lines),
        "flagged": sum(line.flagged > 0 for line in lines),
        "unsolved": sum(not line.solved for line in lines),
        "report": report_of(desk),
    }


def _wanted(request: Request) -> SitesWanted:
    q = request.query_params
    wanted = SitesWanted(
        text=q.get("q", "")[:200],
        state=q.get("state", "any"),
        show=q.get("show", "all"),
        order=q.get("order", "loss"),
    )
    if wanted.state not in ("any", *STATES) or wanted.show not in SHOWS or wanted.order not in ORDERS:
        raise WrongError(f"state is any or one of {STATES}, show one of {SHOWS}, order one of {ORDERS}")
    return wanted


def _sites(desk: Desk, request: Request, _said: Said) -> Answered:
    wanted = _wanted(request)
    offset, limit = whole_number(request, "offset", 0, 10**9), whole_number(request, "limit", 50, MOST_ROWS)
    chosen, counts = desk.listed(wanted)
    page = chosen[offset : offset + limit]
    kept = desk.store.sites_named([line.site_id for line, _ in page])
    return {
        "total": len(chosen),
        "offset": offset,
        "counts": counts,
        "tally": tally_view(desk.tally()) | {"sites": sum(line.standing is not None for line in desk.lines())},
        "rows": [row_of(line, state, kept.get(line.site_id)) for line, state in page],
    }


def _site_id(request: Request) -> str:
    site_id = request.query_params.get("site")
    if not site_id:
        raise WrongError("the site is not named (site=...)")
    return site_id


def _site(desk: Desk, request: Request, _said: Said) -> Answered:
    site_id, wanted = _site_id(request), _wanted(request)
    now = desk.site(site_id)
    asked, answer = desk.solver.newest(site_id)
    if answer is not None and answer.ticket == asked and not answer.draft and answer.error is None and now.current:
        asked = 0  # what is kept is the answer
    in_hand = asked > 0 and (answer is None or answer.draft or answer.ticket != asked)
    if not now.current and not in_hand:
        asked = desk.solver.ask(site_id)
    elif now.current and answer is None:
        desk.solver.ask(site_id, quiet=True)  # what a first change needs is then at hand
    chosen, _ = desk.listed(wanted)
    before, after = near([line.site_id for line, _ in chosen], site_id)
    around = {"previous": before, "next": after, "report": report_of(desk, site_id)}
    return site_view(desk, now) | around | {"ticket": None if now.current else asked}


def _solved(desk: Desk, request: Request, _said: Said) -> Answered:
    site_id, ticket = _site_id(request), whole_number(request, "ticket", 1, 10**9)
    whole = request.query_params.get("draft") != "yes"
    return answer_view(desk.solver.answer(site_id, ticket, PATIENCE_S, whole=whole))


def _act(desk: Desk, request: Request, said: Said) -> Answered:
    site_id = _site_id(request)
    who, kind, photo, body = (said.get(k) for k in ("who", "kind", "photo", "body"))
    if not isinstance(who, str) or not isinstance(kind, str) or not isinstance(body, dict | None):
        raise WrongError("wanted who (text), kind (text) and body (an object)")
    if photo is not None and not isinstance(photo, str):
        raise WrongError("photo: wanted its name")
    ticket = desk.act(site_id, who=who, kind=kind, body=body or {}, photo=photo)
    return edits_view(desk.site(site_id)) | {"ticket": ticket}


def _plumb(desk: Desk, request: Request, said: Said) -> Answered:
    """The roll that a plumb line tells, before it is set."""
    site_id, photo, line = _site_id(request), said.get("photo"), said.get("line_px")
    ends = tuple(map(point_of, line)) if isinstance(line, list) else ()
    if not isinstance(photo, str) or len(ends) != 2:
        raise WrongError("wanted photo (its name) and line_px (two points)")
    now = desk.site(site_id)
    record = desk.photo(now, photo).record
    calibration = desk.given().inputs.calibration
    camera = camera_from_record(record) if calibration is None else camera_from_calibration(calibration, record)
    if camera is None:
        raise WrongError("nothing tells this photo's focal length, so a line in it tells no roll")
    try:
        roll, u95 = roll_of_plumb_line(camera, _pitch(now, photo, record), (ends[0], ends[1]))
    except ValueError as e:
        raise WrongError(str(e)) from None
    return {"roll_deg": round(roll, 3), "u95_deg": round(u95, 3)}


def _pitch(now: SiteNow, photo: str, record: Any) -> float:
    result = None if now.kept is None else now.kept.result
    solved = None if result is None else result.photos.get(photo)
    if solved is not None and solved.pitch_deg is not None:
        return solved.pitch_deg
    if record.pitch_deg is not None:
        return float(record.pitch_deg.value)
    raise WrongError("nothing tells this photo's pitch yet, so a line in it tells no roll")


def _export(desk: Desk, request: Request, _said: Said) -> Answered:
    name = request.path_params["name"]
    if name == "decisions.csv":
        text = decisions_csv(desk.everything())
    elif name in ("picks.csv", "controls.csv"):
        picks, controls = desk.picks_and_controls()
        called = desk.table_names([*(p.photo for p in picks), *(c.photo for c in controls)])
        text = picks_csv(picks, called) if name == "picks.csv" else controls_csv(controls, called)
    else:
        raise NothingThereError("picks.csv, controls.csv and decisions.csv can be had")
    return csv_download(name, text)


Point = tuple[float, float]

#: what a mast's edge or a mount pipe is off the plumb line, and how well its ends are clicked (one standard
#: uncertainty; common practice, no source)
PLUMB_SIGMA_DEG = 0.25
CLICK_SIGMA_PX = 1.0


def roll_of_plumb_line(camera: Camera, pitch_deg: float, ends: tuple[Point, Point]) -> tuple[float, float]:
    """Roll [deg] at which a line between two pixels is plumb, and its expanded uncertainty.

    The plane through the camera and a plumb line holds the vertical, so its normal is level. Raises ValueError where
    the ends are too close, or the line is no more upright than level.
    """
    (x1, y1), (x2, y2) = ends
    length = float(np.hypot(x2 - x1, y2 - y1))
    if length < 20.0:
        raise ValueError("the two ends are less than 20 px apart: take them farther from each other")
    a, b = (np.asarray(directions_from_pixels(camera, np.array(p, float))) for p in ends)
    normal = np.cross(a, b)
    pitch = np.radians(pitch_deg)

    def off(roll: float) -> float:
        up = rotation_cam_from_enu(0.0, pitch, roll) @ np.array([0.0, 0.0, 1.0])
        return float(normal @ up / np.linalg.norm(normal))

    # off(roll) is A cos(roll) + B sin(roll) + C: the vertical turns about the optical axis
    c = 0.5 * (off(0.0) + off(np.pi))
    cos, sin = off(0.0) - c, off(np.pi / 2) - c
    size = float(np.hypot(cos, sin))
    if size < 1e-9 or abs(c) > size:
        raise ValueError("no roll makes this line plumb")
    middle, half = float(np.arctan2(sin, cos)), float(np.arccos(-c / size))
    roll = min((wrap_rad(middle + s * half) for s in (-1.0, 1.0)), key=abs)
    if abs(roll) > np.radians(45.0):
        raise ValueError("this line lies rather than stands: mark an edge that hangs plumb")
    sigma = np.hypot(PLUMB_SIGMA_DEG, np.degrees(np.sqrt(2.0) * CLICK_SIGMA_PX / length))
    return float(np.degrees(roll)), float(1.96 * sigma)


# ---- the report ------------------------------------------------------------------------------------------------------


REPORT_ROUTES = tuple(f"/{folder}/{{path:path}}" for folder in OWN_FOLDERS)
_TYPES = {".html": "text/html", ".jpg": "image/jpeg", ".png": "image/png"}
#: pages may be styled, show pictures, and run the report's own scripts and no others, whatever lies in the folder
_SCRIPTS = " ".join(source_hash(asset(f"{name}.js")) for name in ("index", "site", "antennas"))
_POLICY = f"{CLOSED}; img-src 'self' data:; style-src 'unsafe-inline'; script-src {_SCRIPTS}"
_MARK = re.compile(re.escape(DESK_MARK).replace("SITE", "([^<> ]*)"))


def read_report(desk: Desk, request: Request, _said: Said) -> Answered:
    """A page or picture of the folder of results; where a page has a place for it, with the way to the desk."""
    path = _within(desk, request.url.path)
    kind = None if path is None else _TYPES.get(path.suffix.lower())
    if path is None or kind is None:
        raise NothingThereError("no such page or picture in these results")
    if kind != "text/html":
        return Response(path.read_bytes(), media_type=kind)
    text = _MARK.sub(_way_to_the_desk, path.read_text(encoding="utf-8"))
    return Response(text, media_type=kind, headers={"content-security-policy": _POLICY})


def report_of(desk: Desk, site_id: str | None = None) -> str | None:
    """Address of the report, or of a site's page in it; None where there is none."""
    page = "report/index.html" if site_id is None else f"report/sites/{page_name(site_id, set())}"
    return None if _within(desk, page) is None else f"/{page}"


def _within(desk: Desk, path: str) -> Path | None:
    """A file of the folder of results, wherever links in it lead."""
    if desk.folder is None or "\0" in path:
        return None
    home = desk.folder.resolve()
    found = (home / path.lstrip("/")).resolve()
    return found if found.is_relative_to(home) and found.is_file() else None


def _way_to_the_desk(mark: re.Match[str]) -> str:
    """A site's page at the desk; without a site its list."""
    if not mark[1]:
        return '<a id="desk" href="/">The desk</a>'
    return f' <a class="desk" href="/#/site/{mark[1].replace("%2D", "-")}">at the desk</a>'
