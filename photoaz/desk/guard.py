"""Who may talk to the desk: this machine's own browser, and that page only.

A page of another origin that is open in the same browser can send requests here, and by rebinding its name (DNS) even
read the answers. So the name that the browser used (Host) must be one of the desk's, requests that change something
must come from the desk's own page, and with a token nothing is answered without it.
"""

from __future__ import annotations

import ipaddress
import secrets
from collections.abc import Collection, Mapping
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK_NAMES = frozenset(("localhost", "127.0.0.1", "::1"))
#: a header that a page of another origin can only send after a preflight, which is never granted
OWN_HEADER = "x-photoaz-desk"
COOKIE = "photoaz_desk"
MOST_BYTES = 1_000_000
TOO_LARGE = "Wanted a body of known length, at most {} bytes."

#: what every policy begins with: nothing but what it allows then, and that in nobody's frame
CLOSED = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
#: everything from the desk itself and nothing from elsewhere; no inline script, no inline style
POLICY = (
    f"{CLOSED}; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "require-trusted-types-for 'script'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches what listens there."""
    if host.lower() in ("localhost", "localhost."):
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


class Guard:
    """Refuses what does not come from the desk's own page, and adds the headers that keep the page to itself.

    names : hosts that the desk answers to besides the loopback's; None for any, where a token guards it. token : None
    where none is wanted. ticket : stands once in the token's place: a browser is started by a command line, which every
    user of the machine can read. uploads : paths to which files are sent, and how many bytes each may have; what is
    sent there is handed on as it comes. Only behind a token.
    """

    def __init__(
        self,
        app: ASGIApp,
        names: Collection[str] | None = (),
        token: str | None = None,
        ticket: str | None = None,
        uploads: Mapping[str, int] | None = None,
    ) -> None:
        self.app = app
        self.uploads = uploads or {}
        self.ticket = ticket
        self.names = None if names is None else LOOPBACK_NAMES | {n.lower().strip("[]") for n in names}
        if self.names is None and token is None:
            raise ValueError("without a token the names that the desk answers to must be known")
        if self.uploads and token is None:
            raise ValueError("files are taken behind a token only")
        self.token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Of one request."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no web sockets here
        headers = Headers(scope=scope)
        refused = self._refusal(scope, headers)

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                policy = out.get("content-security-policy", POLICY)  # of a document that brings its own style
                for name, value in (HEADERS | {"content-security-policy": policy}).items():
                    out[name] = value
                out.setdefault("cache-control", "no-store")
            await send(message)

        if refused is not None:
            status, why = refused
            await PlainTextResponse(why + "\n", status)(scope, receive, guarded)
            return
        if self.token is not None:
            given = dict(parse_qsl(scope.get("query_string", b"").decode("latin-1")))
            right = self._right(given.pop("token", None)) or self._once(given.pop("ticket", None))
            if scope["method"] == "GET" and right:
                # the token goes from the address into a cookie, so that it stands in no history and on no screen
                where = scope["path"] + (f"?{urlencode(given)}" if given else "")
                response = RedirectResponse("/" + where.lstrip("/"), 303)
                response.set_cookie(COOKIE, self.token, httponly=True, samesite="strict", path="/")
                await response(scope, receive, guarded)
                return
            if not self._knows(headers):
                why = (
                    "A token is needed: open the address that the desk printed when it started (it ends in ?token=...)."
                )
                await PlainTextResponse(why + "\n", 401)(scope, receive, guarded)
                return
        if scope["method"] == "POST" and scope["path"] not in self.uploads:
            body = await _taken(receive)
            if body is None:
                await PlainTextResponse(TOO_LARGE.format(MOST_BYTES) + "\n", 413)(scope, receive, guarded)
                return
            receive = _again(body, receive)
        await self.app(scope, receive, guarded)

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        host = headers.get("host", "")
        name = (urlsplit(f"//{host}").hostname or "") if _plain(host) else ""
        if not name or (self.names is not None and name not in self.names):
            return 421, f"The desk does not answer to the name {host!r}."
        site = headers.get("sec-fetch-site")
        if site in ("cross-site", "same-site") and not (
            scope["method"] == "GET" and scope["path"] == "/" and headers.get("sec-fetch-mode") == "navigate"
        ):
            return 403, "Only the desk's own page may ask for this."
        origin = headers.get("origin")
        if origin is not None and origin != f"{scope.get('scheme', 'http')}://{host}":
            return 403, "Only the desk's own page may ask for this."
        if scope["method"] in ("GET", "HEAD"):
            return None
        if scope["method"] != "POST":
            return 405, "Only GET and POST are answered."
        if OWN_HEADER not in headers:
            return 403, f"Only the desk's own page may change anything (it sends {OWN_HEADER})."
        most = self.uploads.get(scope["path"])
        kind, words = ("application/json", "JSON") if most is None else ("application/octet-stream", "a file's bytes")
        if headers.get("content-type", "").split(";")[0].strip() != kind:
            return 415, f"Wanted {words} (content-type {kind})."
        if "transfer-encoding" in headers:
            return 400, "Wanted a body of known length, not in chunks."
        length = headers.get("content-length", "")
        if not length.isdigit() or len(length) > 12 or int(length) > (most or MOST_BYTES):
            return 413, TOO_LARGE.format(most or MOST_BYTES)
        return None

    def _right(self, token: str | None) -> bool:
        return (
            self.token is not None
            and token is not None
            and secrets.compare_digest(token.encode("utf-8", "replace"), self.token.encode("utf-8", "replace"))
        )

    def _once(self, ticket: str | None) -> bool:
        right = ticket is not None and self.ticket is not None and secrets.compare_digest(ticket, self.ticket)
        self.ticket = None if right else self.ticket
        return right

    def _knows(self, headers: Headers) -> bool:
        scheme, _, token = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer" and self._right(token.strip()):
            return True
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return False
        return cookie is not None and self._right(cookie.value)


async def _taken(receive: Receive) -> bytes | None:
    """A request's body; None where it is larger than any may be, whatever its header said."""
    body, more = b"", True
    while more:
        message = await receive()
        body += message.get("body", b"")
        more = message["type"] == "http.request" and message.get("more_body", False)
        if len(body) > MOST_BYTES:
            return None
    return body


def _again(body: bytes, receive: Receive) -> Receive:
    """The body that was taken already, then whatever comes after it."""
    left: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def told() -> Message:
        return left.pop() if left else await receive()

    return told


def _plain(host: str) -> bool:
    """Whether a Host header is a name and perhaps a port, and nothing else."""
    return bool(host) and not set(host) & set("/\\@?# \t")
