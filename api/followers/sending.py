"""How a letter is delivered: by HTTP to a vetted address, or by mail. Blocks: each goes out on a thread."""

import http.client
import ipaddress
import json
import smtplib
import socket
import ssl
from collections.abc import Mapping
from email.message import EmailMessage
from typing import Final
from urllib.parse import urlsplit

from api.followers.letter import Letter
from daemon.destinations import Email, Ntfy, Webhook

_TIMEOUT_S: Final = 15.0
_REDIRECTS: Final = (301, 302, 303, 307, 308)
_MOST_BYTES: Final = 4096
"""Of an answer: nobody here reads it."""


class SendError(Exception):
    """A letter was not delivered. Says why and what to do."""

    code = "alert.send"


def send_webhook(to: Webhook, secret: Mapping[str, str], letter: Letter) -> None:
    """Post a letter as JSON. Raises SendError."""
    content = {
        "title": letter.title,
        "text": letter.text,
        "wakes": letter.wakes,
        "events": sorted({one.event for one in letter.of}),
    }
    _post(to, secret, content)


def send_ntfy(to: Ntfy, secret: Mapping[str, str], letter: Letter) -> None:
    """Publish a letter on a topic. Raises SendError."""
    content = {
        "topic": to.topic,
        "title": letter.title,
        "message": letter.text,
        "priority": 5 if letter.wakes else 3,
    }
    _post(to, secret, content)


def _post(to: Webhook | Ntfy, secret: Mapping[str, str], content: Mapping[str, object]) -> None:
    headers = {"Content-Type": "application/json"}
    if "token" in secret:
        headers["Authorization"] = f"Bearer {secret['token']}"
    body = json.dumps(content, ensure_ascii=False).encode()
    request(to.url, "POST", body, headers, to.allow_private, to.allow_redirect)


def send_email(to: Email, secret: Mapping[str, str], letter: Letter) -> None:
    """Send a letter by mail. Raises SendError."""
    mail = EmailMessage()
    mail["Subject"], mail["From"], mail["To"] = letter.title, to.sender, ", ".join(to.to)
    mail.set_content(letter.text)
    if "password" in secret and to.security == "none":
        raise SendError("the mail server is asked without TLS, and a password is not sent like that; set security")
    try:
        with _smtp(to) as server:
            if to.security == "starttls":
                server.starttls(context=ssl.create_default_context())
            if "password" in secret:
                server.login(secret.get("user", ""), secret["password"])
            server.send_message(mail)
    except (OSError, smtplib.SMTPException) as error:
        raise SendError(f"{to.host}:{to.port} did not take the mail: {error}") from None


def _smtp(to: Email) -> smtplib.SMTP:
    if to.security == "tls":
        return smtplib.SMTP_SSL(to.host, to.port, timeout=_TIMEOUT_S, context=ssl.create_default_context())
    return smtplib.SMTP(to.host, to.port, timeout=_TIMEOUT_S)


def request(
    url: str, method: str, body: bytes, headers: Mapping[str, str], allow_private: bool, allow_redirect: bool = False
) -> None:
    """Ask an address once, and take any 2xx. Raises SendError.

    The name is looked up here, and the connection goes to what was looked at: no second answer of the name counts.
    """
    parts = urlsplit(url)
    port = parts.port or (443 if parts.scheme == "https" else 80)
    host = parts.hostname or ""
    address = vetted(host, port, allow_private)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    connection = _Pinned(host, port, address, is_tls=parts.scheme == "https")
    try:
        connection.request(method, path, body or None, dict(headers))
        answer = connection.getresponse()
        answer.read(_MOST_BYTES)
    except (OSError, http.client.HTTPException) as error:
        raise SendError(f"{host}:{port} did not take it: {error or type(error).__name__}") from None
    finally:
        connection.close()
    if answer.status in _REDIRECTS:
        onward = answer.headers.get("Location", "")
        if not allow_redirect:
            raise SendError(f"{host} sends on to another address, which the site does not allow (allow_redirect)")
        if not onward.startswith(("http://", "https://")) or urlsplit(onward).scheme != parts.scheme:
            raise SendError(f"{host} sends on to something that is no such address")
        same = urlsplit(onward).hostname == host
        kept = {name: value for name, value in headers.items() if same or name != "Authorization"}
        request(onward, method, body, kept, allow_private)
    elif not 200 <= answer.status < 300:
        raise SendError(f"{host} answered {answer.status} {answer.reason}")


def vetted(host: str, port: int, allow_private: bool) -> str:
    """Return an address of a name that may be asked. Raises SendError where any of them may not."""
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except OSError as error:
        raise SendError(f"{host} is not known here: {error.strerror or error}") from None
    addresses = [str(entry[4][0]) for entry in found]
    for address in addresses:
        if not allow_private and not ipaddress.ip_address(address.partition("%")[0]).is_global:
            raise SendError(f"{host} is {address}, no public address, which the site does not allow (allow_private)")
    return addresses[0]


class _Pinned(http.client.HTTPConnection):
    """A connection to one address, under the name that was asked for."""

    def __init__(self, host: str, port: int, address: str, *, is_tls: bool) -> None:
        super().__init__(host, port, timeout=_TIMEOUT_S)
        self._address = address
        self._is_tls = is_tls

    def connect(self) -> None:
        """Connect to the address that was vetted."""
        self.sock = socket.create_connection((self._address, self.port), _TIMEOUT_S)
        if self._is_tls:
            self.sock = ssl.create_default_context().wrap_socket(self.sock, server_hostname=self.host)
