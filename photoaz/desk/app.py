"""The desk as a web application: the page's files, tiles, and what the page asks and says."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Awaitable, Callable, Collection
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from functools import wraps
from importlib import resources
from typing import Any

from anyio import CapacityLimiter, to_thread
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from photoaz.angles import parse_place_deg
from photoaz.audit.edits import LogError, point_of
from photoaz.desk.exports import controls_csv, decisions_csv, picks_csv
from photoaz.desk.guard import Guard
from photoaz.desk.plumb import roll_of_plumb_line
from photoaz.desk.session import Desk, NothingThereError, SiteNow
from photoaz.desk.states import MOST_ROWS, ORDERS, SHOWS, STATES, SitesWanted, row_of
from photoaz.desk.views import answer_view, edits_view, near, site_view
from photoaz.errors import InputError
from photoaz.photo.calibration import camera_from_calibration
from photoaz.photo.camera import camera_from_record
from photoaz.present.frame import asset
from photoaz.present.manual import manual_html

#: seconds that a request waits for the solver before it says 'not yet'
PATIENCE_S = 20.0
#: and how many do that at once; more wait for their turn to wait
MOST_WAITING = 200
#: of a whole number, more than any pixel or row has
MOST_DIGITS = 16
_TYPES = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
_DIGEST = re.compile(r"[0-9a-f]{64}")

#: what a request says in its body, and what it is answered with
Said = dict[str, Any]
Answered = dict[str, Any] | Response
Handler = Callable[[Desk, Request, Said], Answered]


class _WrongError(Exception):
    """A request that makes no sense; says why."""


class _MalformedError(Exception):
    """A body that is no JSON, or holds what no page sends; says why."""


def page_files() -> dict[str, tuple[bytes, str]]:
    """The page's own files by name, with their media types; nothing else is ever served from the disk by name."""
    out = {}
    for file in (resources.files("photoaz.desk") / "page").iterdir():
        kind = _TYPES.get(file.name.rpartition(".")[2])
        if kind is not None and file.is_file():
            out[file.name] = (file.read_bytes(), kind)
    return out


def make_app(desk: Desk, *, names: Collection[str] | None = (), token: str | None = None) -> Any:
    """The application. names, token: as `Guard`. The desk is closed when the application shuts down."""
    files = page_files()
    # whoever waits for the solver holds a thread: of these there are more, and not those of the others
    waiting = CapacityLimiter(MOST_WAITING)

    def page(name: str) -> Callable[[Request], Awaitable[Response]]:
        data, kind = files[name]

        async def serve(_request: Request) -> Response:
            return Response(data, media_type=kind, headers={"cache-control": "no-cache"})

        return serve

    def asked(handler: Handler, limiter: CapacityLimiter | None = None) -> Callable[[Request], Awaitable[Response]]:
        @wraps(handler)
        async def answer(request: Request) -> Response:
            try:
                said = _body(await request.body()) if request.method == "POST" else {}
                done = await to_thread.run_sync(handler, desk, request, said, limiter=limiter)
                return done if isinstance(done, Response) else JSONResponse(done)
            except _MalformedError as e:
                return JSONResponse({"error": str(e)}, 400)
            except (_WrongError, LogError) as e:
                return JSONResponse({"error": str(e)}, 422)
            except NothingThereError as e:
                return JSONResponse({"error": str(e)}, 404)
            except InputError as e:
                return JSONResponse({"error": "; ".join(str(f) for f in e.faults)}, 409)

        return answer

    @asynccontextmanager
    async def life(_app: Starlette) -> Any:
        yield
        await run_in_threadpool(desk.close)

    routes = [
        Route("/", page("index.html")),
        *(Route(f"/page/{name}", page(name)) for name in files if name != "index.html"),
        Route("/manual.html", _manual),
        Route("/page/manual.css", _manual_css),
        Route("/api/audit", asked(_audit)),
        Route("/api/sites", asked(_sites)),
        Route("/api/site", asked(_site)),
        Route("/api/solved", asked(_solved, waiting)),
        Route("/api/act", asked(_act), methods=["POST"]),
        Route("/api/plumb", asked(_plumb), methods=["POST"]),
        Route("/api/place", asked(_place), methods=["POST"]),
        Route("/tile/{digest}/{level:int}/{x:int}/{y:int}.jpg", asked(_tile)),
        Route("/export/{name}", asked(_export)),
    ]
    return Guard(Starlette(routes=routes, lifespan=life), names, token)


async def _manual(_request: Request) -> Response:
    return Response(await run_in_threadpool(manual_html, "/page/manual.css"), media_type="text/html")


async def _manual_css(_request: Request) -> Response:
    return Response(asset("report.css"), media_type="text/css")


def _audit(desk: Desk, _request: Request, _said: Said) -> Answered:
    lines = desk.lines()
    return {
        "name": desk.folder.name if desk.folder is not None else desk.audit[1],
        "sites": len(lines),
        "flagged": sum(line.flagged > 0 for line in lines),
        "unsolved": sum(not line.solved for line in lines),
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
        raise _WrongError(f"state is any or one of {STATES}, show one of {SHOWS}, order one of {ORDERS}")
    return wanted


def _whole(request: Request, name: str, default: int, most: int) -> int:
    text = request.query_params.get(name, "")
    if not text:
        return default
    if not text.isascii() or not text.isdigit() or len(text) > 12:
        raise _WrongError(f"{name}: wanted a whole number")
    return min(int(text), most)


def _sites(desk: Desk, request: Request, _said: Said) -> Answered:
    wanted = _wanted(request)
    offset, limit = _whole(request, "offset", 0, 10**9), _whole(request, "limit", 50, MOST_ROWS)
    chosen, counts = desk.listed(wanted)
    page = chosen[offset : offset + limit]
    kept = desk.store.sites_named([line.site_id for line, _ in page])
    return {
        "total": len(chosen),
        "offset": offset,
        "counts": counts,
        "rows": [row_of(line, state, kept.get(line.site_id)) for line, state in page],
    }


def _site_id(request: Request) -> str:
    site_id = request.query_params.get("site")
    if not site_id:
        raise _WrongError("the site is not named (site=...)")
    return site_id


def _site(desk: Desk, request: Request, _said: Said) -> Answered:
    site_id, wanted = _site_id(request), _wanted(request)
    now = desk.site(site_id)
    asked, answer = desk.solver.newest(site_id)
    if answer is not None and answer.ticket == asked and not answer.draft and answer.error is None and now.current:
        asked = 0  # what is kept is the answer
    if not now.current and not (answer is None and asked):
        asked = desk.solver.ask(site_id)
    elif now.current and answer is None:
        desk.solver.ask(site_id, quiet=True)  # what a first change needs is then at hand
    chosen, _ = desk.listed(wanted)
    before, after = near([line.site_id for line, _ in chosen], site_id)
    return site_view(desk, now) | {"ticket": None if now.current else asked, "previous": before, "next": after}


def _solved(desk: Desk, request: Request, _said: Said) -> Answered:
    site_id, ticket = _site_id(request), _whole(request, "ticket", 1, 10**9)
    whole = request.query_params.get("draft") != "yes"
    return answer_view(desk.solver.answer(site_id, ticket, PATIENCE_S, whole=whole))


def _body(raw: bytes) -> Said:
    """An object of JSON with text and numbers that can be kept and reckoned with. Raises _MalformedError."""

    def no_number(text: str) -> Any:
        raise ValueError(f"{text[:20]} is no number")

    try:
        body = json.loads(
            raw.decode("utf-8"),
            parse_constant=no_number,
            parse_float=lambda text: float(text) if math.isfinite(float(text)) else no_number(text),
            parse_int=lambda text: int(text) if len(text) <= MOST_DIGITS else no_number(text),
        )
        _check_text(body)
    except RecursionError:
        raise _MalformedError("the body is nested too deep") from None
    except ValueError as e:
        raise _MalformedError(f"the body is no JSON that can be used ({e})") from None
    if not isinstance(body, dict):
        raise _MalformedError("wanted an object")
    return body


def _check_text(value: Any) -> None:
    """Raise ValueError where a text holds half a letter of UTF-16, or a zero byte, which databases refuse."""
    if isinstance(value, str):
        value.encode("utf-8")
        if "\0" in value:
            raise ValueError("a text with a zero byte")
    elif isinstance(value, dict | list):
        for one in value:
            _check_text(one)
        if isinstance(value, dict):
            _check_text(list(value.values()))


def _act(desk: Desk, request: Request, said: Said) -> Answered:
    site_id = _site_id(request)
    who, kind, photo, body = (said.get(k) for k in ("who", "kind", "photo", "body"))
    if not isinstance(who, str) or not isinstance(kind, str) or not isinstance(body, dict | None):
        raise _WrongError("wanted who (text), kind (text) and body (an object)")
    if photo is not None and not isinstance(photo, str):
        raise _WrongError("photo: wanted its name")
    ticket = desk.act(site_id, who=who, kind=kind, body=body or {}, photo=photo)
    return edits_view(desk.site(site_id)) | {"ticket": ticket}


def _place(_desk: Desk, _request: Request, said: Said) -> Answered:
    """Latitude and longitude of what somebody typed, or what is wrong with it."""
    text = said.get("text")
    if not isinstance(text, str) or len(text) > 200:
        raise _WrongError("wanted text: a latitude and a longitude")
    try:
        lat_deg, lon_deg = parse_place_deg(text)
    except ValueError as e:
        return {"lat_deg": None, "lon_deg": None, "problem": str(e)}
    return {"lat_deg": lat_deg, "lon_deg": lon_deg, "problem": None}


def _plumb(desk: Desk, request: Request, said: Said) -> Answered:
    """The roll that a plumb line tells, before it is set."""
    site_id, photo, line = _site_id(request), said.get("photo"), said.get("line_px")
    ends = tuple(map(point_of, line)) if isinstance(line, list) else ()
    if not isinstance(photo, str) or len(ends) != 2:
        raise _WrongError("wanted photo (its name) and line_px (two points)")
    now = desk.site(site_id)
    record = desk.photo(now, photo).record
    calibration = desk.given().inputs.calibration
    camera = camera_from_record(record) if calibration is None else camera_from_calibration(calibration, record)
    if camera is None:
        raise _WrongError("nothing tells this photo's focal length, so a line in it tells no roll")
    try:
        roll, u95 = roll_of_plumb_line(camera, _pitch(now, photo, record), (ends[0], ends[1]))
    except ValueError as e:
        raise _WrongError(str(e)) from None
    return {"roll_deg": round(roll, 3), "u95_deg": round(u95, 3)}


def _pitch(now: SiteNow, photo: str, record: Any) -> float:
    result = None if now.kept is None else now.kept.result
    solved = None if result is None else result.photos.get(photo)
    if solved is not None and solved.pitch_deg is not None:
        return solved.pitch_deg
    if record.pitch_deg is not None:
        return float(record.pitch_deg.value)
    raise _WrongError("nothing tells this photo's pitch yet, so a line in it tells no roll")


def _tile(desk: Desk, request: Request, _said: Said) -> Answered:
    digest = request.path_params["digest"]
    if not _DIGEST.fullmatch(digest):
        raise NothingThereError("no such photo in this audit")
    data = desk.tile(digest, *(request.path_params[k] for k in ("level", "x", "y")))
    # a tile is named by what it shows: it never changes
    return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=31536000, immutable"})


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
    day = datetime.now(UTC).strftime("%Y-%m-%d")
    return Response(
        "\ufeff" + text,
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="{name.replace(".csv", f"-{day}.csv")}"'},
    )
