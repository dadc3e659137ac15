"""Where a farm sends its news: what the site file says of each destination. Secrets are in its credential file."""

from datetime import time
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from daemon.equipment import Part

EventName = Literal["morning", "alarm", "shortfall", "missed", "tank", "silent"]
"""The summary of a night; a trip or anything as urgent; a block short or over; a start that was not made; a tank that
lacks stock for tonight; the controller not heard from."""
_Url = Annotated[str, Field(pattern=r"^https?://[^\s/@]+(/[^\s]*)?$", max_length=300)]
_Host = Annotated[str, Field(pattern=r"^[A-Za-z0-9.:-]+$", max_length=120)]
_Port = Annotated[int, Field(ge=1, le=65535)]
_Address = Annotated[str, Field(pattern=r"^[^\s@<>,]+@[^\s@<>,]+$", max_length=120)]
_Topic = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", max_length=120)]
_WallTime = Annotated[time, Field(strict=False)]


class Quiet(Part):
    """Hours of the site's clock in which nothing is sent but what may wake people. They may pass midnight."""

    begin: _WallTime
    end: _WallTime


class _Destination(Part):
    """What all destinations share."""

    events: Annotated[tuple[EventName, ...], Field(strict=False, min_length=1)]
    """Those that it is told of: no others."""
    language: Literal["en", "es"] | None = None
    """Without it the site's."""
    quiet: Quiet | None = None
    morning_at: _WallTime = time(6)
    """From when on a night's summary is sent, once the night is over."""


class _Web(_Destination):
    url: _Url
    allow_private: bool = False
    """Whether it may be an address of a private network; without it such a one is refused, however it is named."""
    allow_redirect: bool = False
    """Whether the answer may send on to another address, which is looked at in the same way."""


class Webhook(_Web):
    """An address that takes a JSON object by POST. Its credential may hold a `token`, sent as a bearer."""

    kind: Literal["webhook"]


class Ntfy(_Web):
    """A topic of an ntfy server, by its HTTP publishing. Its credential may hold a `token`."""

    kind: Literal["ntfy"]
    topic: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")]


class Mqtt(_Destination):
    """A broker, to which the state is published as retained messages with a last will. Nothing is ever taken from it.

    Its credential may hold `user` and `password`.
    """

    kind: Literal["mqtt"]
    host: _Host
    port: _Port = 1883
    tls: bool = False
    topic: _Topic = "shiftwright"
    """What all topics begin with."""


class Email(_Destination):
    """Mail by an SMTP server. Its credential may hold `user` and `password`, which are sent by TLS alone."""

    kind: Literal["email"]
    host: _Host
    port: _Port = 465
    security: Literal["tls", "starttls", "none"] = "tls"
    sender: _Address
    to: Annotated[tuple[_Address, ...], Field(strict=False, min_length=1)]


Destination = Annotated[Webhook | Ntfy | Mqtt | Email, Field(discriminator="kind")]


class Heartbeat(Part):
    """An address outside that is asked while the controller is heard: whoever keeps it notices a dead box."""

    url: _Url
    every_s: Annotated[float, Field(ge=30.0, le=3600.0)] = 300.0
    allow_private: bool = False


class Alerts(Part):
    """Who is told of what. Nobody, unless it says so."""

    credentials: Annotated[str, Field(pattern=r"^/", max_length=300)] | None = None
    """Whole path of a file of secrets, in TOML with a table for each destination; only its owner may read it."""
    to: dict[Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")], Destination] = Field(default_factory=dict)
    heartbeat: Heartbeat | None = None

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.credentials is not None and not self.to:
            raise ValueError("got credentials without a destination; expected one in alerts.to, or no credentials")
        return self
