"""What goes over the local socket, on both sides: the framing, its bounds, and what goes wrong.

A frame is a four-byte big-endian length and a UTF-8 JSON object. The first frame each way is a hello with the version
of the protocol. A request has one key (command, decision, step, snapshot, subscribe), a reply one of answer, snapshot
and error.
A decision has an id, who asks, and decisions: a list of kind, key, body and perhaps the expected_version.
Answers come as they are decided, not in the order asked, and carry the id of what they answer.
"""

import difflib
import json
import math
from dataclasses import fields
from typing import Any, ClassVar, NoReturn

from daemon.messages import PROTOCOL, Command, Snapshot, Verb

MAX_FRAME_BYTES = 256 * 1024
MAX_DEPTH = 16


class LocalSocketFault(Exception):  # noqa: N818 - says what is the matter, as all that follow do
    """What goes wrong on the local socket; the message says what to do."""

    code: ClassVar[str] = "socket"


class NoDaemon(LocalSocketFault):
    """Nobody listens."""

    code = "socket.no-daemon"


class ProtocolMismatch(LocalSocketFault):
    """Daemon and client are of different releases."""

    code = "socket.protocol"


class Busy(LocalSocketFault):
    """Too much is waiting already; what was asked has not been done."""

    code = "socket.busy"


class BadFrame(LocalSocketFault):
    """The peer does not keep to the framing; the connection is closed."""

    code = "socket.frame"


class BadRequest(LocalSocketFault):
    """A sound frame asks for something that does not exist; the connection goes on."""

    code = "socket.request"


class NoAnswer(LocalSocketFault):
    """Nothing came in time: whether it was done is unknown."""

    code = "socket.no-answer"


class NotReady(LocalSocketFault):
    """The daemon has not finished its first scan."""

    code = "socket.not-ready"


class SocketPathFault(LocalSocketFault):
    """The socket's file cannot be used."""

    code = "socket.path"


FAULTS: dict[str, type[LocalSocketFault]] = {fault.code: fault for fault in LocalSocketFault.__subclasses__()}


def encode(body: dict[str, Any]) -> bytes:
    """Return the frame of `body`. Raises BadFrame when it is too large."""
    text = json.dumps(_without_nan(body), separators=(",", ":"), allow_nan=False).encode()
    return checked_length(len(text)).to_bytes(4, "big") + text


def _without_nan(value: Any) -> Any:
    """Return `value` with null for NaN and infinity: JSON has none, and one bad reading must not hide the others."""
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def checked_length(length: int) -> int:
    """Return the length of a frame's body. Raises BadFrame when it is too large."""
    if length > MAX_FRAME_BYTES:
        raise BadFrame(f"a frame of {length} bytes is too large: at most {MAX_FRAME_BYTES}")
    return length


def decode(text: bytes) -> dict[str, Any]:
    """Return the object in a frame's body. Raises BadFrame for anything else than one sane JSON object."""
    try:
        body = json.loads(
            text.decode(), object_pairs_hook=_unique_keys, parse_constant=_not_finite, parse_float=_finite
        )
        if b"\\u" in text:
            json.dumps(body, ensure_ascii=False).encode()  # half a surrogate pair would break whoever stores it
    except RecursionError:
        raise BadFrame(f"JSON nested deeper than {MAX_DEPTH}") from None
    except ValueError as error:
        raise BadFrame(f"not a frame of UTF-8 JSON: {error}") from None
    if not isinstance(body, dict):
        raise BadFrame(f"a frame is a JSON object, got {type(body).__name__}")
    level: list[Any] = [body]
    for _ in range(MAX_DEPTH):
        inner = [item for value in level for item in (value.values() if isinstance(value, dict) else value)]
        level = [item for item in inner if isinstance(item, dict | list)]
    if level:
        raise BadFrame(f"JSON nested deeper than {MAX_DEPTH}")
    return body


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    body = dict(pairs)
    if len(body) != len(pairs):
        raise ValueError("a key comes twice")
    return body


def _not_finite(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")


def _finite(text: str) -> float:
    value = float(text)
    return value if math.isfinite(value) else _not_finite(text)


def hello_frame() -> bytes:
    """Return the first frame of either side."""
    return encode({"hello": {"protocol": PROTOCOL}})


def version_of(hello: dict[str, Any]) -> int:
    """Return the peer's version. Raises BadFrame when the first frame is no hello."""
    match hello:
        case {"hello": {"protocol": int(version)}}:
            return version
    raise BadFrame('the first frame must be {"hello": {"protocol": version}}')


def agree(daemon: int, client: int) -> None:
    """Raise ProtocolMismatch unless both sides speak the same version."""
    if daemon != client:
        older = "the daemon" if daemon < client else "the client"
        raise ProtocolMismatch(
            f"the daemon speaks version {daemon} of the local protocol, the client version {client}: "
            f"upgrade {older} (and restart it)"
        )


def error_frame(fault: LocalSocketFault, request_id: str | None = None) -> bytes:
    """Return the frame that tells the peer of `fault`, and which request it is about when that is known."""
    return encode({"error": {"code": fault.code, "message": str(fault), "id": request_id}})


def id_of(request: Any) -> str | None:
    """Return the id that an error about `request` carries, when it has one."""
    match request:
        case {"id": str(request_id)}:
            return request_id[:64]
    return None


def parse_command(body: Any) -> Command:
    """Return the command. Raises BadRequest, naming the field and what was expected."""
    wanted = {field.name for field in fields(Command)}
    if not isinstance(body, dict) or body.keys() != wanted:
        raise BadRequest(f"a command has exactly the fields {', '.join(sorted(wanted))}")
    for name in ("id", "who", "role", "verb"):
        if not (isinstance(body[name], str) and 0 < len(body[name]) <= 64 and body[name].isprintable()):
            raise BadRequest(f"command.{name}: expected 1 to 64 printable characters")
    if not isinstance(body["arguments"], dict):
        raise BadRequest("command.arguments: expected an object")
    return Command(body["id"], body["who"], body["role"], _parse_verb(body["verb"]), body["arguments"])


def _parse_verb(name: str) -> Verb:
    verbs = [verb.value for verb in Verb]
    if name in verbs:
        return Verb(name)
    nearest = difflib.get_close_matches(name, verbs, n=1)
    hint = f"did you mean {nearest[0]!r}?" if nearest else f"known: {', '.join(verbs)}"
    raise BadRequest(f"command.verb: unknown verb {name!r}; {hint}")


def fields_of(value: Command | Snapshot) -> dict[str, Any]:
    """Return the fields without copying what is in them."""
    return {field.name: getattr(value, field.name) for field in fields(value)}
