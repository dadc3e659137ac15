"""uvicorn as it has to be on a farm: slow or endless clients hold neither memory nor sockets, and it ends when told."""

import asyncio
import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from api.app import make_app
from api.farm import Farm

_REQUEST_S: Final = 20.0
"""From a connection's first moment, or its last answer, to the end of the next request's headers."""
_MOST_CONNECTIONS: Final = 400
_HEADERS_BYTES: Final = 16 * 1024
_BACKLOG: Final = 256
_SHUTDOWN_S: Final = 3


class ServingError(Exception):
    """The address cannot be listened at. Says what to do."""

    code = "daemon.address"


class TimedProtocol(H11Protocol):
    """A connection that is dropped unless a whole request's head comes in time; and one too many at once."""

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """Take a connection, or drop it where there are too many."""
        if len(self.server_state.connections) >= _MOST_CONNECTIONS:
            transport.abort()
            self._is_dropped = True
            return
        super().connection_made(transport)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget it."""
        self._stop_waiting()
        if not getattr(self, "_is_dropped", False):
            super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came; a request under way is the app's to bound."""
        if getattr(self, "_is_dropped", False):
            return
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        super().on_response_complete()
        self._stop_waiting()
        self._wait()

    def _wait(self) -> None:
        self._waiting = self.loop.call_later(_REQUEST_S, self._drop)

    def _stop_waiting(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None

    def _drop(self) -> None:
        if not self.transport.is_closing():
            self.transport.abort()


class _Server(uvicorn.Server):
    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leave signals to whoever runs this: uvicorn raises them anew, before anything is tidied up."""
        yield


def listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens. Raises ServingError."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(_BACKLOG)  # whoever is told the address may come at once
    except OSError as error:
        listener.close()
        raise ServingError(
            f"api: got {host}:{port}, which cannot be listened at ({error.strerror}); is it running already? Else give "
            "another port in the site file"
        ) from None
    listener.set_inheritable(True)
    return listener


async def serve(farm: Farm, listener: socket.socket, stop: asyncio.Event) -> None:
    """Serve until `stop`; then end all streams, and wait a little for what is under way."""
    settings = farm.plant.site.api
    server = _Server(
        uvicorn.Config(
            make_app(farm),
            http=TimedProtocol,
            ws="none",
            log_config=None,
            access_log=False,
            lifespan="off",
            server_header=False,
            date_header=True,
            backlog=_BACKLOG,
            timeout_keep_alive=int(_REQUEST_S),
            timeout_graceful_shutdown=_SHUTDOWN_S,
            h11_max_incomplete_event_size=_HEADERS_BYTES,
            proxy_headers=False,
            ssl_certfile=None if settings.certificate is None else str(Path(settings.certificate)),
            ssl_keyfile=None if settings.key is None else str(Path(settings.key)),
        )
    )

    async def end() -> None:
        await stop.wait()
        farm.link.close()
        server.should_exit = True

    farm.link.start()
    ending = asyncio.create_task(end())
    try:
        await server.serve(sockets=[listener])
    finally:
        ending.cancel()
        await asyncio.gather(ending, return_exceptions=True)
        await farm.rehearsal.close()
