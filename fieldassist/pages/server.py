"""Runs a page's app on this machine; the passenger's page in a thread beside the drive."""

from __future__ import annotations

import io
import secrets
import socket
import struct
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import segno
import uvicorn
from starlette.applications import Starlette

from fieldassist.errors import UserError
from fieldassist.pages.guard import Door, Guard
from fieldassist.pages.passenger import passenger_app
from fieldassist.record.store import Store

PASSENGER_PORT = 8471
"""Tried first, so that a page which is open finds a drive again that was resumed; any free port otherwise."""
CODE_DIGITS = 6
MAX_CONNECTIONS = 128
"""Connections at a time; an open page holds one."""
START_SECONDS = 10.0
_SIOCGIFADDR = 0x8915
"""Linux: the IPv4 address of an interface (netdevice(7))."""


@dataclass
class PassengerServer:
    """A running passenger page."""

    url: str
    """Address to open. Without `lan` it carries its own key after the `#`; browsers do not send that part."""
    code: str | None
    """Pairing code to be spoken, digits only; None without `lan`."""
    qr: str
    """QR code of the address, key included, as text for the terminal."""
    _server: uvicorn.Server
    _thread: threading.Thread
    _app: Starlette

    def stop(self) -> None:
        """Close every page's connection and end the server; returns when it has ended."""
        self._app.state.feed.let_go()
        self._server.should_exit = True
        self._thread.join(START_SECONDS)


def start_passenger(store_path: str | Path, lan: bool = False) -> PassengerServer:
    """Serve the passenger's page of one session from a thread; return when it can be opened.

    Binds 127.0.0.1; with `lan` every interface, and then a pairing code is needed. Raises UserError when the
    session cannot be opened or no port can be had.
    """
    path = Path(store_path)
    Store.open(path).close()
    code = "".join(secrets.choice("0123456789") for _ in range(CODE_DIGITS)) if lan else None
    key = code or secrets.token_urlsafe(24)
    listening = listen("0.0.0.0" if lan else "127.0.0.1", PASSENGER_PORT)
    port = listening.getsockname()[1]
    base = f"http://{lan_address() if lan else '127.0.0.1'}:{port}/"
    app = passenger_app(path)
    server = make_server(app, Door(key), f"fieldassist_{port}")
    thread = threading.Thread(target=server.run, args=([listening],), name="passenger page", daemon=True)
    thread.start()
    wait_until_up(server, thread)
    return PassengerServer(
        base if lan else f"{base}pair#{key}", code, qr_text(f"{base}pair#{key}"), server, thread, app
    )


def make_server(app: Starlette, door: Door, cookie: str) -> uvicorn.Server:
    """Return a quiet server for a guarded app."""
    config = uvicorn.Config(
        Guard(app, door, cookie),
        log_level="critical",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=1,
        limit_concurrency=MAX_CONNECTIONS,
        h11_max_incomplete_event_size=16 * 1024,
        lifespan="on",
        http="h11",
    )
    return uvicorn.Server(config)


def listen(host: str, port: int, exactly: bool = False) -> socket.socket:
    """Return a listening socket on the port, or on any free one when it is taken and need not be `exactly` it.

    Raises UserError.
    """
    for wanted in (port,) if exactly else (port, 0):
        sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            sock.bind((host, wanted))
            sock.listen(64)
        except OSError as error:
            sock.close()
            if wanted == 0 or exactly:
                raise UserError(f"port {wanted} on {host} cannot be had: {error.strerror}") from None
        else:
            return sock
    raise AssertionError("unreachable")


def wait_until_up(server: uvicorn.Server, thread: threading.Thread) -> None:
    """Return when the server answers. Raises UserError when it ended or took too long."""
    limit = time.monotonic() + START_SECONDS
    while not server.started:
        if not thread.is_alive() or time.monotonic() > limit:
            raise UserError("the page's server did not start")
        time.sleep(0.01)


def lan_address() -> str:
    """Return this machine's address on the local network. Nothing is sent: a datagram socket only looks up
    the route. Raises UserError without a network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            sock.connect(("192.0.2.1", 9))  # an address reserved for documentation (RFC 5737)
            return str(sock.getsockname()[0])
        except OSError:
            for address in _interface_addresses(sock):
                return address
    raise UserError("no local network: connect to one, or leave out --lan")


def _interface_addresses(sock: socket.socket) -> list[str]:
    """Addresses of the interfaces where there is no way out, as on a laptop that is itself the hotspot."""
    if sys.platform != "linux":
        return []
    import fcntl

    out = []
    for _, name in socket.if_nameindex():
        try:
            answer = fcntl.ioctl(sock.fileno(), _SIOCGIFADDR, struct.pack("256s", name.encode()[:15]))
        except OSError:
            continue  # an interface without an address
        out.append(socket.inet_ntoa(answer[20:24]))
    return [address for address in out if not address.startswith("127.")]


def qr_text(text: str) -> str:
    """Return a QR code as lines of text for a terminal."""
    out = io.StringIO()
    segno.make(text, error="m").terminal(out=out, compact=True)
    return out.getvalue()
