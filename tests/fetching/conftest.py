"""The lying server, and doors that may reach it."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lotflow.fetching import http_door

trustme = pytest.importorskip("trustme")
sys.path.insert(0, str(Path(__file__).parent))

from lying_server import NAMES, Lying, ground, write_tile  # noqa: E402


@pytest.fixture(scope="session")
def authority() -> Any:
    return trustme.CA()


@pytest.fixture(scope="session")
def tiles(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Files that the server has: one ground in three compressions, and another survey of it."""
    root = tmp_path_factory.mktemp("remote")
    for compress in ("DEFLATE", "LZW", "NONE"):
        write_tile(root / f"{compress.lower()}.tif", ground(), compress)
    write_tile(root / "second.tif", ground(2) + np.float32(0.3))
    return root


def _started(root: Path, authority: Any, address: str, *names: str) -> Lying:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(*names).configure_cert(context)
    server = Lying(root, context, address)
    threading.Thread(
        target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True
    ).start()
    return server


@pytest.fixture(scope="session")
def servers(tiles: Path, authority: Any) -> Iterator[tuple[Lying, Lying]]:
    """The server, and one on an address that nobody has named: the canary."""
    known = [name for name in NAMES if name != "wrong.test"]
    server = _started(tiles, authority, "127.0.0.1", *known, "127.0.0.1")
    canary = _started(tiles, authority, "127.0.0.2", *known, "127.0.0.2")
    server.canary_port = canary.server_address[1]
    yield server, canary
    for one in (server, canary):
        one.over.set()
        one.shutdown()
        one.server_close()


@pytest.fixture
def net(servers: tuple[Lying, Lying], authority: Any, monkeypatch: pytest.MonkeyPatch) -> Lying:
    """The server, with doors that trust its certificate and may reach this machine."""
    server, canary = servers
    server.forget()
    canary.forget()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    authority.configure_trust(context)
    monkeypatch.setattr(http_door, "RULES", http_door.Rules(loopback=True, context=context))
    real = socket.getaddrinfo

    def look_up(host: str, port: Any, *args: Any, **given: Any) -> Any:
        if host in NAMES or host == "wrong.test":
            found = NAMES.get(host, ["127.0.0.1"])
            if not found:
                raise socket.gaierror(-2, "Name or service not known")
            return [(socket.AF_INET6 if ":" in one else socket.AF_INET, socket.SOCK_STREAM, 6, "",
                     (one, port)) for one in found]  # fmt: skip
        if not host.isdigit():
            ipaddress.ip_address(host)  # no test asks for a name of the world
        return real(host, port, *args, **given)

    monkeypatch.setattr(socket, "getaddrinfo", look_up)
    monkeypatch.setattr(http_door, "_READ_S", 2.0)
    yield server
    assert server.faults == []


@pytest.fixture
def canary(servers: tuple[Lying, Lying]) -> Lying:
    return servers[1]
