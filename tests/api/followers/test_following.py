"""From the record to the destination: what is new is kept, told when it can be, and told once."""

import pytest

from api.followers import following
from api.followers.following import Following
from api.followers.letter import Letter
from api.followers.sending import SendError
from daemon.destinations import Alerts
from daemon.evidence import AlarmRaised
from tests.api.farms import Given

_ALERTS = {"to": {"phone": {"kind": "webhook", "url": "https://push.example", "events": ["alarm", "morning"]}}}


async def test_three_days_without_a_link(given: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """What came meanwhile is delivered once the link is back, each once."""
    sent: list[Letter] = []
    is_down = True

    async def send(to: object, secret: object, letter: Letter, broker: object = None) -> None:
        if is_down:
            raise SendError("no link")
        sent.append(letter)

    monkeypatch.setattr(following, "send", send)
    object.__setattr__(given.farm.plant.site, "alerts", Alerts.model_validate(_ALERTS))
    said: list[str] = []
    follows = Following(given.farm, {}, said.append)
    await follows.look()
    given.record_rows(AlarmRaised("airlock", "WATER_ONLY", True))
    for _ in range(3 * 24):
        await follows.look()
        given.clock.at_s += 3600.0
    assert not sent and len(said) == 1
    is_down = False
    await follows.look()
    again = Following(given.farm, {}, said.append)
    await again.look()
    texts = [letter.text for letter in sent]
    assert sum("lost its prime" in text for text in texts) == 1
    assert sum("went as planned" in text for text in texts) == 1 and len(texts) == len(set(texts))
