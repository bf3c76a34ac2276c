"""Whether a file was opened and whether a request was made, seen from outside the program."""

from __future__ import annotations

import ctypes
import os
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

#: Kinds of event of Linux's inotify: a file is read, opened.
_ACCESS, _OPEN = 0x1, 0x20


class OpenWatch:
    """Tells whether any process has opened one of some files since it was last asked."""

    def __init__(self, *files: Path) -> None:
        library = ctypes.CDLL(None, use_errno=True)
        self._descriptor = library.inotify_init1(os.O_NONBLOCK)
        for file in files:
            added = library.inotify_add_watch(
                self._descriptor, os.fsencode(file), ctypes.c_uint32(_ACCESS | _OPEN)
            )
            assert added >= 0, os.strerror(ctypes.get_errno())

    def opened(self) -> bool:
        """Tell whether there was any, and forget it."""
        try:
            return bool(os.read(self._descriptor, 65_536))
        except BlockingIOError:
            return False

    def close(self) -> None:
        """End the watch."""
        os.close(self._descriptor)


class RequestCounter:
    """An HTTP server on this machine that counts what asks it for anything."""

    def __init__(self) -> None:
        self.requests: list[str] = []
        counter = self

        class Handler(BaseHTTPRequestHandler):
            def _count(self) -> None:
                counter.requests.append(self.requestline)
                self.send_response(404)
                self.end_headers()

            do_GET = do_HEAD = do_POST = _count  # noqa: N815 - the names of the base class

            def log_message(self, *_: Any) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    def __enter__(self) -> RequestCounter:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
