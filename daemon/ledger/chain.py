"""The hash chain over all evidence: canonical bytes of a row, the seal of a row, and the check of a whole chain. Pure.

A seal is the SHA-256 of the seal before it and of the row, so that whoever alters, removes or moves a row has to forge
every seal after it. The chain has no secret: a forger who rewrites all of it to its end is found only by comparing
`Verdict.head` with a head kept elsewhere (a backup, an export, a sheet of paper).
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from daemon.ledger.errors import LedgerRow

GENESIS = "0" * 64
"""What the first seal has for its previous one."""


@dataclass(frozen=True, slots=True)
class SealedRow:
    """One row as read back: a seal and the row under it. A lone seal has no row, a lone row has no seal."""

    seq: int
    kind: str
    digest: str | None
    row: Mapping[str, object] | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the check of a chain found."""

    rows: int
    """Rows found good, from the first on."""
    head: str
    """Seal of the last good row, to be compared with one kept elsewhere."""
    broken_seq: int | None
    """Number of the first row that is not as it was sealed; None where all are."""
    why: str
    """Empty, or what is wrong with that row, in plain words."""


def canonical(row: Mapping[str, object]) -> bytes:
    """Return the one spelling of a row: JSON, sorted keys, no spaces, UTF-8. Two different rows never share it.

    Raises LedgerRow for anything but whole numbers, truth values and text that UTF-8 can hold: a float has no single
    spelling, and a nested value would hide its types.
    """
    for name, value in row.items():
        if type(value) not in (int, bool, str):
            raise LedgerRow(f"{name}: got {type(value).__name__}, expected a whole number, true or false, or text")
    try:
        return json.dumps(row, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    except UnicodeEncodeError as problem:
        raise LedgerRow(f"got text that is not Unicode ({problem.reason}), expected UTF-8") from problem


def seal_of(previous: str, seq: int, kind: str, row: Mapping[str, object]) -> str:
    """Return the seal of a row as 64 hexadecimal digits. Raises LedgerRow as `canonical` does."""
    place = canonical({"kind": kind, "previous": previous, "seq": seq})
    return hashlib.sha256(place + b"\n" + canonical(row)).hexdigest()


def verify(rows: Iterable[SealedRow]) -> Verdict:
    """Check a chain from its first row on, and tell the first row that is not as it was sealed.

    `rows` come in order of `seq`; they are read one at a time.
    """
    head, good = GENESIS, 0
    for found in rows:
        why = _fault(head, good + 1, found)
        if why or found.digest is None:
            return Verdict(good, head, good + 1, why)
        head, good = found.digest, found.seq
    return Verdict(good, head, None, "")


def _fault(previous: str, expected_seq: int, found: SealedRow) -> str:
    """Return what is wrong with the next row of a chain, or an empty string."""
    if found.digest is None:
        return f"forged: a row of {found.kind} numbered {found.seq} has no seal"
    if found.seq != expected_seq:
        return f"gap: got seal {found.seq}, expected {expected_seq}"
    if found.row is None:
        return f"missing: seal {found.seq} stands for a row of {found.kind} that is not there"
    try:
        as_read = seal_of(previous, found.seq, found.kind, found.row)
    except LedgerRow as problem:
        return f"altered: {problem}"
    if as_read != found.digest:
        return f"altered: row {found.seq} of {found.kind} does not match its seal"
    return ""
