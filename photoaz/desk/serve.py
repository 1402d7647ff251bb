"""The desk behind a port of this machine."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Collection
from typing import Any
from urllib.parse import quote

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


def address_of(host: str) -> str:
    """How other devices name this machine in an address; of a host that means all of its addresses, the usual one."""
    if names_of(host) is not None:
        return f"[{host.strip('[]')}]" if ":" in host else host
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(("192.0.2.1", 9))  # RFC 5737: nobody's; nothing is sent, only a way out is chosen
            return str(sock.getsockname()[0])
        except OSError:
            return "localhost"


def serve(
    app_at: Callable[[str, Collection[str] | None], Any],
    *,
    host: str,
    port: int | None,
    usual_port: int,
    token: str | None,
    ready: Callable[[str], None],
) -> None:
    """Serve until interrupted.

    app_at: makes the application, of its address and of the names that it answers to. ready: called with the address,
    the token in it, once it is answered. Raises InputError.
    """
    import uvicorn

    sock = bound(host, port, usual_port)
    base = f"http://{address_of(host)}:{sock.getsockname()[1]}/"
    url = base + (f"?token={quote(token, safe='')}" if token else "")
    app = app_at(base, names_of(host))

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
