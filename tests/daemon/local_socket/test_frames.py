"""The framing: what is encoded is decoded, and no bytes raise anything but BadFrame."""

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from daemon.local_socket import frames
from daemon.local_socket.frames import (
    BadFrame,
    LocalSocketFault,
)

_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(st.text(), _JSON, max_size=4))
def test_what_is_encoded_is_decoded(body: dict[str, Any]) -> None:
    """Guards the record: the wire changes no value that JSON can hold."""
    frame = frames.encode(body)
    assert int.from_bytes(frame[:4], "big") == len(frame) - 4
    assert frames.decode(frame[4:]) == body


@given(st.binary(max_size=64) | st.text(alphabet='{}[]":,\\u0d8Ne19-. ', max_size=64).map(str.encode))
def test_any_bytes_give_an_object_or_a_bad_frame(text: bytes) -> None:
    """Guards the daemon: no bytes raise anything but BadFrame."""
    try:
        assert isinstance(frames.decode(text), dict)
    except LocalSocketFault as fault:
        assert fault.code == BadFrame.code
