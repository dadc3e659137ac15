"""Readings on the disk: bytes each and time to take them in, beside a plain table and other ways to pack them."""

import random
import sqlite3
import struct
import zlib
from array import array
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.clock import real_seconds
from daemon.folder import HISTORY
from daemon.ledger.history import History
from daemon.ledger.packing import pack
from daemon.ledger.readings import points, read, thinned
from tests.bench.baselines.table import table
from tests.bench.figures import keep
from tests.figures import record

from .long_night import LongNight

pytestmark = [pytest.mark.bench, pytest.mark.timeout(400)]

NIGHTS = 12
"""Of the same night shifted by days, with each instrument's last digit drawn anew."""
DAY_MS = 86_400_000
BYTES, SHARE_OF_PLAIN, TIMES_REAL = 2.5, 0.1, 100.0
"""The aims."""


def xored(values: list[float]) -> bytes:
    """Return values as 64-bit floats, each XORed with the one before: leading zero bytes, then zlib."""
    bits = [struct.unpack("<q", struct.pack("<d", value))[0] for value in values]
    return zlib.compress(array("q", [a ^ b for a, b in zip(bits, [0, *bits[:-1]], strict=True)]).tobytes(), 9)


def _readings(night: LongNight) -> dict[str, list[tuple[int, float]]]:
    """Return the readings of the simulated night by point."""
    path = night.folder / HISTORY
    return {name: read(path, name, 0, 2**62) for name in points(path)}


def _noisy_share(night: dict[str, list[tuple[int, float]]]) -> float:
    """Return the share of the points of which most readings differ from the one before."""
    noisy = [sum(a != b for (_, a), (_, b) in pairwise(rows)) > len(rows) / 2 for rows in night.values()]
    return sum(noisy) / len(noisy)


def test_bytes_a_reading_and_time_to_take_them_in(tmp_path: Path, long_night: LongNight) -> None:
    """History is small enough for years on a card, and taking a night in costs next to nothing of it."""
    night, simulated_s = _readings(long_night), long_night.night.simulated_s
    assert _noisy_share(night) >= 0.6
    chance = random.Random(3)
    moments = sorted({at for rows in night.values() for at, _ in rows})
    by_moment = {name: dict(rows) for name, rows in night.items()}
    path = tmp_path / "long" / "history.db"
    path.parent.mkdir()
    history, count, written = History(path), 0, {name: list[tuple[int, float]]() for name in night}
    took_s = 0.0
    for number in range(NIGHTS):
        sets = []
        for at_ms in moments:
            values = {name: rows[at_ms] for name, rows in by_moment.items() if at_ms in rows}
            if number:
                values = {name: _other(night[name], chance, value) for name, value in values.items()}
            sets.append((at_ms + number * DAY_MS, values))
            count += len(values)
            for name, value in values.items():
                written[name].append((at_ms + number * DAY_MS, value))
        began_s = real_seconds()
        for at_ms, values in sets:
            if history.append(at_ms, values):
                history.flush()
        took_s += real_seconds() - began_s
    history.append(moments[-1] + NIGHTS * DAY_MS, {"flow_m3_h": 0.0})
    history.close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("VACUUM")
        full = connection.execute("SELECT sum(length(data)) FROM span WHERE tier = 0").fetchone()[0]
    size, plain_size = path.stat().st_size, table(tmp_path / "plain.db", written.items())
    columns = [[value for _, value in rows] for rows in written.values()]
    hours = [column[n : n + 360] for column in columns for n in range(0, len(column), 360)]
    others = {
        "XOR of floats": sum(len(xored(values)) for values in hours) / count,
        "floats": sum(len(zlib.compress(array("d", values).tobytes(), 9)) for values in hours) / count,
        "differences": sum(len(pack(range(len(values)), values)) for values in hours) / count,
    }
    times_real = NIGHTS * simulated_s / took_s
    began_s = real_seconds()
    chart = thinned(path, "flow_m3_h", moments[0], moments[-1] + NIGHTS * DAY_MS, 1000)
    chart_s = real_seconds() - began_s
    keep(12, "bytes a reading on disk, all tiers", size / count, "bytes", "<= 2.5", "a plain table", plain_size / count)
    keep(12, "readings taken in", times_real, "x real time", ">= 100")
    keep(12, f"a chart of {NIGHTS} nights, {len(chart)} parts", 1000.0 * chart_s, "ms", "stated")
    record(
        "history",
        claim="readings on the disk",
        test="tests/bench/test_history.py",
        aim="<= 2.5 bytes a reading, <= 1/10 of a plain table; taken in at >= 100 x real time",
        reached=f"{size / count:.2f} bytes with all tiers ({full / count:.2f} at full resolution), "
        f"{size / plain_size:.3f} of a plain table; {times_real:.0f} x real time; values alone: "
        + ", ".join(f"{name} {figure:.2f}" for name, figure in others.items()),
        limit="ten channels at Kestrel Bend every 10 s, 12 nights with last digits drawn anew",
    )
    assert size / count <= BYTES and size / plain_size <= SHARE_OF_PLAIN and times_real >= TIMES_REAL


def _other(rows: list[tuple[int, float]], chance: random.Random, value: float) -> float:
    """Return a value a few of its last digits away, as two of the same night's readings are apart."""
    first = chance.randrange(len(rows) - 1)
    apart = rows[first + 1][1] - rows[first][1]
    return value + (apart if abs(apart) < 0.02 * max(1.0, abs(value)) else 0.0)
