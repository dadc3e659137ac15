"""A letter goes to a vetted address alone, and what cannot be delivered is kept and told once."""

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from api.followers.letter import Letter
from api.followers.outbox import Outbox, Waiting
from api.followers.sending import SendError, send_webhook
from daemon.destinations import Webhook

_LETTER = Letter("Kestrel Bend: last night", "It went as planned.", False, ())


class _Sink(BaseHTTPRequestHandler):
    """Takes what is posted to /in, and sends /on somewhere else."""

    taken: list[bytes]

    def do_POST(self) -> None:
        """Take it, or send it on."""
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if self.path == "/on":
            self.send_response(307)
            self.send_header("Location", f"http://{self.headers['Host']}/in")
        else:
            self.taken.append(body)
            self.send_response(204)
        self.end_headers()

    def log_message(self, format: str, *arguments: object) -> None:
        """Say nothing."""


@pytest.fixture
def sink() -> Iterator[str]:
    """Return the address of a server on the loopback."""
    _Sink.taken = []
    server = HTTPServer(("127.0.0.1", 0), _Sink)
    serving = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    serving.start()
    yield f"http://127.0.0.1:{server.server_address[1]}"
    server.shutdown()
    serving.join(10.0)
    server.server_close()


def _webhook(url: str, **allowed: bool) -> Webhook:
    return Webhook.model_validate({"kind": "webhook", "url": url, "events": ["morning"], **allowed})


def test_a_private_address_is_refused_unless_allowed(sink: str) -> None:
    """However it is named; what the site allows is delivered."""
    for url in (sink, sink.replace("127.0.0.1", "localhost")):
        with pytest.raises(SendError, match="no public address"):
            send_webhook(_webhook(f"{url}/in"), {}, _LETTER)
    assert not _Sink.taken
    send_webhook(_webhook(f"{sink}/in", allow_private=True), {}, _LETTER)
    assert len(_Sink.taken) == 1 and b"It went as planned." in _Sink.taken[0]


def test_a_redirect_is_refused_unless_allowed(sink: str) -> None:
    """And where it is allowed, it is followed once."""
    with pytest.raises(SendError, match="allow_redirect"):
        send_webhook(_webhook(f"{sink}/on", allow_private=True), {}, _LETTER)
    send_webhook(_webhook(f"{sink}/on", allow_private=True, allow_redirect=True), {}, _LETTER)
    assert len(_Sink.taken) == 1


def test_a_key_is_kept_once(tmp_path: Path) -> None:
    """Over a restart as well, and what was delivered waits no more."""
    news = ("morning 2026-10-13", Waiting(0, "morning", False, 1, "It went as planned."))
    for _ in range(2):
        Outbox(tmp_path / "alerts.db").keep("phone", [news], 7)
    outbox = Outbox(tmp_path / "alerts.db")
    (waiting,) = outbox.waiting("phone")
    outbox.delivered("phone", [waiting], 1000)
    outbox.keep("phone", [news], 8)
    assert not outbox.waiting("phone") and outbox.cursor("phone") == 8
    assert outbox.deliveries_since("phone", 999) == 1 and outbox.deliveries_since("phone", 1000) == 0
