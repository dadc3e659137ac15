"""Servers on the loopback that take what a farm sends: HTTP, mail, and Debian's MQTT broker."""

import asyncio
import json
import shutil
import subprocess
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes
from email.policy import default
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, Envelope, Session

MOSQUITTO = shutil.which("mosquitto") or ("/usr/sbin/mosquitto" if Path("/usr/sbin/mosquitto").exists() else None)
_START_S = 10.0


@dataclass
class HttpSink:
    """Takes what is posted to /in or asked for at /beat, and sends /on somewhere else."""

    address: str
    taken: list[dict[str, Any]] = field(default_factory=list)
    headers: list[dict[str, str]] = field(default_factory=list)
    beats: int = 0


@contextmanager
def http_sink(port: int = 0) -> Iterator[HttpSink]:
    """Serve on a port of the loopback."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            if self.path == "/on":
                self.send_response(307)
                self.send_header("Location", f"http://{self.headers['Host']}/in")
            else:
                sink.taken.append(json.loads(body))
                sink.headers.append(dict(self.headers))
                self.send_response(204)
            self.end_headers()

        def do_GET(self) -> None:
            sink.beats += 1
            self.send_response(200)
            self.end_headers()

        def log_message(self, format: str, *arguments: object) -> None:
            """Say nothing."""

    server = HTTPServer(("127.0.0.1", port), Handler)
    sink = HttpSink(f"http://127.0.0.1:{server.server_address[1]}")
    serving = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    serving.start()
    try:
        yield sink
    finally:
        server.shutdown()
        serving.join(10.0)
        server.server_close()


@dataclass
class MailSink:
    """Mails that came in: to whom, subject and text."""

    mails: list[tuple[tuple[str, ...], str, str]] = field(default_factory=list)

    async def handle_DATA(  # noqa: N802  the name that the library calls
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Take a mail."""
        content = envelope.content
        assert isinstance(content, bytes)
        mail = message_from_bytes(content, policy=default)
        body = mail.get_body()
        assert body is not None
        self.mails.append((tuple(envelope.rcpt_tos), str(mail["Subject"]), str(body.get_content()).strip()))
        return "250 taken"


@asynccontextmanager
async def mail_sink(port: int) -> AsyncIterator[MailSink]:
    """Serve SMTP on a port of the loopback."""
    sink = MailSink()
    server = await asyncio.get_running_loop().create_server(
        lambda: SMTP(sink, enable_SMTPUTF8=True, hostname="localhost"), "127.0.0.1", port
    )
    try:
        yield sink
    finally:
        server.close()
        await server.wait_closed()


@asynccontextmanager
async def mosquitto(folder: Path, port: int, user: str = "", password: str = "") -> AsyncIterator[Path]:
    """Run the broker on a port of the loopback, for one user or for everybody; yield the file of what it says."""
    assert MOSQUITTO is not None
    lines = [f"listener {port} 127.0.0.1", "user root", "persistence false", "log_type all", "log_dest stderr"]
    if user:
        keys = folder / "broker.passwords"
        keys.write_text(f"{user}:{password}\n", "utf-8")
        keys.chmod(0o600)
        subprocess.run([MOSQUITTO.replace("mosquitto", "mosquitto_passwd").replace("sbin", "bin"), "-U", str(keys)],
                       check=True, timeout=20.0)  # fmt: skip
        lines += ["allow_anonymous false", f"password_file {keys}"]
    else:
        lines.append("allow_anonymous true")
    settings, log = folder / "broker.conf", folder / "broker.log"
    settings.write_text("\n".join(lines) + "\n", "utf-8")
    with log.open("wb") as told:
        process = await asyncio.create_subprocess_exec(MOSQUITTO, "-c", str(settings), stderr=told)
        try:
            async with asyncio.timeout(_START_S):
                while f"Opening ipv4 listen socket on port {port}" not in log.read_text("utf-8"):
                    await asyncio.sleep(0.02)
            yield log
        finally:
            process.terminate()
            await process.wait()
