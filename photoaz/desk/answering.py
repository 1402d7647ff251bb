"""How the desk's pages are answered: the page's own files, bodies that can be used, and what goes wrong in words."""

from __future__ import annotations

import json
import math
import re
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from functools import wraps
from importlib import resources
from typing import Any, Protocol, TypeVar

from anyio import CapacityLimiter, to_thread
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from photoaz.angles import parse_place_deg
from photoaz.audit.edits import LogError
from photoaz.desk.tiles import NothingThereError
from photoaz.errors import InputError
from photoaz.present.frame import asset
from photoaz.present.manual import manual_html

#: of a whole number, more than any pixel or row has
MOST_DIGITS = 16
TILE_ROUTE = "/tile/{digest}/{level:int}/{x:int}/{y:int}.jpg"
_DIGEST = re.compile(r"[0-9a-f]{64}")
_TYPES = {"html": "text/html", "css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}

T = TypeVar("T")
#: what a request says in its body, and what it is answered with
Said = dict[str, Any]
Answered = dict[str, Any] | Response


class WrongError(Exception):
    """A request that makes no sense; says why."""


class _MalformedError(Exception):
    """A body that is no JSON, or holds what no page sends; says why."""


_STATUS: dict[type[Exception], int] = {_MalformedError: 400, WrongError: 422, LogError: 422, NothingThereError: 404}
#: what a handler may raise, to be said to whoever sits before the page
REFUSED: tuple[type[Exception], ...] = (*_STATUS, InputError)


def application(routes: Sequence[Route], close: Callable[[], None]) -> Starlette:
    """What answers at these routes, and closes what they are about when it shuts down."""

    @asynccontextmanager
    async def life(_app: Starlette) -> AsyncIterator[None]:
        yield
        await run_in_threadpool(close)

    return Starlette(routes=routes, lifespan=life)


def page_files() -> dict[str, tuple[bytes, str]]:
    """The page's own files by name, with their media types; nothing else is ever served from the disk by name."""
    out = {}
    for file in (resources.files("photoaz.desk") / "page").iterdir():
        kind = _TYPES.get(file.name.rpartition(".")[2])
        if kind is not None and file.is_file():
            out[file.name] = (file.read_bytes(), kind)
    return out


def page_routes() -> list[Route]:
    """The page, its files and the manual."""
    files = page_files()

    def page(name: str) -> Callable[[Request], Awaitable[Response]]:
        data, kind = files[name]

        async def serve(_request: Request) -> Response:
            return Response(data, media_type=kind, headers={"cache-control": "no-cache"})

        return serve

    return [
        Route("/", page("index.html")),
        Route("/favicon.ico", page("icon.svg")),  # browsers ask for it of pages that name none
        *(Route(f"/page/{name}", page(name)) for name in files if name != "index.html"),
        Route("/manual.html", _manual),
        Route("/page/manual.css", _manual_css),
    ]


async def _manual(_request: Request) -> Response:
    return Response(await run_in_threadpool(manual_html, "/page/manual.css"), media_type="text/html")


async def _manual_css(_request: Request) -> Response:
    return Response(asset("report.css"), media_type="text/css")


def asked(
    of: T, handler: Callable[[T, Request, Said], Answered], limiter: CapacityLimiter | None = None
) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint that answers by a handler, in a thread of its own. of: what the handler is about."""

    @wraps(handler)
    async def answer(request: Request) -> Response:
        try:
            said = body_of(await request.body()) if request.method == "POST" else {}
            done = await to_thread.run_sync(handler, of, request, said, limiter=limiter)
            return done if isinstance(done, Response) else JSONResponse(done)
        except REFUSED as e:
            return refusal(e)

    return answer


def refusal(e: Exception) -> Response:
    """What a request is answered with that cannot be served: one of `REFUSED`."""
    if isinstance(e, InputError):
        return JSONResponse({"error": "; ".join(str(f) for f in e.faults), "faults": faults_told(e)}, 409)
    status = next((code for kind, code in _STATUS.items() if isinstance(e, kind)), 422)
    return JSONResponse({"error": str(e)}, status)


def faults_told(e: InputError) -> list[Said]:
    """Its faults, ready for JSON."""
    return [{"line": f.line, "column": f.column, "found": f.found, "wanted": f.wanted} for f in e.faults]


def body_of(raw: bytes) -> Said:
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


def whole_number(request: Request, name: str, default: int, most: int) -> int:
    text = request.query_params.get(name, "")
    if not text:
        return default
    if not text.isascii() or not text.isdigit() or len(text) > 12:
        raise WrongError(f"{name}: wanted a whole number")
    return min(int(text), most)


def read_place(_of: Any, _request: Request, said: Said) -> Answered:
    """Latitude and longitude of what somebody typed, or what is wrong with it."""
    text = said.get("text")
    if not isinstance(text, str) or len(text) > 200:
        raise WrongError("wanted text: a latitude and a longitude")
    try:
        lat_deg, lon_deg = parse_place_deg(text)
    except ValueError as e:
        return {"lat_deg": None, "lon_deg": None, "problem": str(e)}
    return {"lat_deg": lat_deg, "lon_deg": lon_deg, "problem": None}


class _Tiled(Protocol):
    def tile(self, digest: str, level: int, x: int, y: int) -> bytes:
        """A tile of a photo by its content. Raises NothingThereError, InputError."""


def read_tile(of: _Tiled, request: Request, _said: Said) -> Answered:
    """A tile of a photo."""
    digest = request.path_params["digest"]
    if not _DIGEST.fullmatch(digest):
        raise NothingThereError("no such photo here")
    data = of.tile(digest, *(request.path_params[k] for k in ("level", "x", "y")))
    # a tile is named by what it shows: it never changes
    return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=31536000, immutable"})


def csv_download(name: str, text: str) -> Response:
    """A table to be saved under its name and today's date."""
    day = datetime.now(UTC).strftime("%Y-%m-%d")
    return Response(
        "\ufeff" + text,
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="{name.replace(".csv", f"-{day}.csv")}"'},
    )
