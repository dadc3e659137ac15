"""A letter goes to a vetted address alone, and what cannot be delivered is kept and told once."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.followers.letter import Letter
from api.followers.outbox import Outbox, Waiting
from api.followers.sending import SendError, send_webhook
from daemon.destinations import Webhook
from tests.api.followers.servers import HttpSink, http_sink

_LETTER = Letter("Kestrel Bend: last night", "It went as planned.", False, ())


@pytest.fixture
def sink() -> Iterator[HttpSink]:
    """Return a server on the loopback."""
    with http_sink() as found:
        yield found


def _webhook(url: str, **allowed: bool) -> Webhook:
    return Webhook.model_validate({"kind": "webhook", "url": url, "events": ["morning"], **allowed})


def test_a_private_address_is_refused_unless_allowed(sink: HttpSink) -> None:
    """However it is named; what the site allows is delivered."""
    for url in (sink.address, sink.address.replace("127.0.0.1", "localhost")):
        with pytest.raises(SendError, match="no public address"):
            send_webhook(_webhook(f"{url}/in"), {}, _LETTER)
    assert not sink.taken
    send_webhook(_webhook(f"{sink.address}/in", allow_private=True), {}, _LETTER)
    assert len(sink.taken) == 1 and "It went as planned." in sink.taken[0]["text"]


def test_a_redirect_is_refused_unless_allowed(sink: HttpSink) -> None:
    """And where it is allowed, it is followed once."""
    with pytest.raises(SendError, match="allow_redirect"):
        send_webhook(_webhook(f"{sink.address}/on", allow_private=True), {}, _LETTER)
    send_webhook(_webhook(f"{sink.address}/on", allow_private=True, allow_redirect=True), {}, _LETTER)
    assert len(sink.taken) == 1


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
