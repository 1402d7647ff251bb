"""The desk behind a port of this machine."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable
from urllib.parse import quote

from photoaz.desk.app import make_app
from photoaz.desk.session import Desk
from photoaz.errors import Fault, InputError


def names_of(host: str) -> tuple[str, ...] | None:
    """What a browser may call the desk besides this machine's own names; None where it listens everywhere."""
    try:
        if ipaddress.ip_address(host.strip("[]")).is_unspecified:
            return None
    except ValueError:
        pass
    return (host,)


def bound(host: str, port: int | None, usual_port: int) -> socket.socket:
    """A socket that listens. port: None for the usual one, or any other where that is taken. Raises InputError."""
    try:
        family, _, _, _, _ = socket.getaddrinfo(host.strip("[]"), None, type=socket.SOCK_STREAM)[0]
    except OSError as e:
        raise InputError(
            Fault(file="--host", found=f"{host} ({e.strerror})", wanted="an address of this machine")
        ) from None
    tries = (usual_port, 0) if port is None else (port,)
    for k, number in enumerate(tries):
        sock = socket.socket(family, socket.SOCK_STREAM)
        try:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            sock.bind((host.strip("[]"), number))
            sock.listen(128)
            return sock
        except OSError as e:
            sock.close()
            if k + 1 == len(tries):
                raise InputError(
                    Fault(
                        file=f"{host}:{number}", found=str(e.strerror), wanted="a free port of this machine: --port N"
                    )
                ) from None
    raise AssertionError("no port was tried")


def serve(
    desk: Desk,
    *,
    host: str,
    port: int | None,
    usual_port: int,
    token: str | None,
    ready: Callable[[str], None],
) -> None:
    """Serve until interrupted. ready: called with the address once it is answered. Raises InputError."""
    import uvicorn

    sock = bound(host, port, usual_port)
    number = sock.getsockname()[1]
    shown = "localhost" if names_of(host) is None else f"[{host.strip('[]')}]" if ":" in host else host
    url = f"http://{shown}:{number}/" + (f"?token={quote(token, safe='')}" if token else "")
    app = make_app(desk, names=names_of(host), token=token)

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            ready(url)

    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws="none",
        workers=1,
        timeout_graceful_shutdown=2,
    )
    try:
        Server(config).run(sockets=[sock])
    finally:
        sock.close()
