"""Readings packed and unpacked are the same readings, whatever they were."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.ledger.packing import pack, unpack

_MOMENTS = st.integers(0, 2**42)
_FLOATS = st.floats(allow_nan=False, allow_infinity=False)
_INSTRUMENT = st.builds(
    lambda low, step, counts: [low + step * count for count in counts],
    st.sampled_from([0.0, -5.0, 100.0]),
    st.sampled_from([0.00375, 0.0003125, 0.01, 1.0, 0.1, 0.0375]),
    st.lists(st.integers(0, 16000), min_size=1, max_size=400),
)


@given(st.lists(st.tuples(_MOMENTS, _FLOATS, _FLOATS), min_size=1, max_size=50))
def test_any_rows_come_back(rows: list[tuple[int, float, float]]) -> None:
    """Times exactly, in any order; values to nine digits, or exactly where they are no instrument's."""
    times, first, second = map(list, zip(*rows, strict=True))
    found_times, columns = unpack(pack(times, first, second))
    assert found_times == times and len(columns) == 2
    for found, given_ in zip(columns, (first, second), strict=True):
        assert all(
            math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9) for one, other in zip(found, given_, strict=True)
        )


@given(_INSTRUMENT)
def test_an_instruments_readings_take_few_bytes(values: list[float]) -> None:
    """Two bytes and a half each at the most, and a head, however they jump about their whole range."""
    times = [1_791_000_000_000 + 10_000 * n for n in range(len(values))]
    data = pack(times, values)
    found_times, (found,) = unpack(data)
    assert found_times == times
    assert all(math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-12) for one, other in zip(found, values, strict=True))
    assert len(data) <= 100 + 2.5 * len(values)


def test_what_is_no_packing_is_told() -> None:
    """A damaged row is an error that says so, and never readings that nobody made."""
    whole = pack([1, 2, 3], [1.0, 2.0, 3.0])
    for data in (b"", b"nonsense", whole[:-3]):
        with pytest.raises(ValueError, match="cannot be unpacked"):
            unpack(data)
