"""access.db: people, tokens, sessions, pairings and failed log-ins. No evidence; the daemon never opens it.

Of a secret only its SHA-256 is kept: each is 256 random bits, so that there is nothing to guess. All times are
milliseconds since 1970-01-01 UTC, and are handed in.
"""

import hashlib
import secrets
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from api.access.roles import Role

_SCHEMA = """
CREATE TABLE IF NOT EXISTS person (
    name TEXT PRIMARY KEY, role TEXT NOT NULL, password TEXT, made_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS token (
    id TEXT PRIMARY KEY, digest TEXT NOT NULL UNIQUE, label TEXT NOT NULL, role TEXT NOT NULL,
    person TEXT NOT NULL REFERENCES person (name) ON DELETE CASCADE,
    made_ms INTEGER NOT NULL, ends_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS session (
    digest TEXT PRIMARY KEY, person TEXT NOT NULL REFERENCES person (name) ON DELETE CASCADE,
    made_ms INTEGER NOT NULL, ends_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS pairing (
    digest TEXT PRIMARY KEY, person TEXT NOT NULL REFERENCES person (name) ON DELETE CASCADE,
    ends_ms INTEGER NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS failure (subject TEXT PRIMARY KEY, count INTEGER NOT NULL, at_ms INTEGER NOT NULL) STRICT;
"""
_DAY_MS = 86_400_000
SESSION_MS = 30 * _DAY_MS
PAIRING_MS = 120_000
TOKEN_MARK = "sw_"


class AccessError(Exception):
    """What was asked about people, tokens or sessions cannot be. Says what was got and what to do."""

    code = "access.refused"


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may log in."""

    name: str
    role: Role
    has_password: bool
    made_ms: int


@dataclass(frozen=True, slots=True)
class Token:
    """What other software logs in with; its secret was shown once."""

    id: str
    label: str
    role: Role
    person: str
    made_ms: int
    ends_ms: int


class AccessStore:
    """The one who reads and writes access.db. Its methods may be called from any thread, and soon return."""

    def __init__(self, path: Path) -> None:
        """Open the file, or make it, for its owner alone."""
        path.touch(mode=0o600)
        self._lock = threading.Lock()
        self._file = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=5.0)
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "secure_delete=ON"):
            self._file.execute(f"PRAGMA {pragma}")
        self._file.executescript(_SCHEMA)

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._file.close()

    def people(self) -> tuple[Person, ...]:
        """Return everybody, by name."""
        with self._open() as file:
            rows = file.execute("SELECT name, role, password IS NOT NULL, made_ms FROM person ORDER BY name").fetchall()
        return tuple(Person(name, Role(role), bool(has), made_ms) for name, role, has, made_ms in rows)

    def person(self, name: str) -> Person | None:
        """Return somebody by name."""
        return next((person for person in self.people() if person.name == name), None)

    def add(self, name: str, role: Role, now_ms: int, password: str | None = None) -> None:
        """Add somebody, with the hash of a password or without one. Raises AccessError for a name that is taken."""
        with self._open() as file:
            taken = file.execute(
                "INSERT INTO person VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING", (name, role.value, password, now_ms)
            )
            if not taken.rowcount:
                raise AccessError(f"person {name}: there is one of that name already; give another name")

    def change(self, name: str, *, role: Role | None = None, password: str | None = None) -> None:
        """Change somebody's role, or put the hash of a new password in force; either ends all of their sessions.

        With a new role their tokens end as well. Raises AccessError for somebody unknown, and where no technician
        would be left.
        """
        with self._open() as file:
            before = _known(file, name)
            if role is not None:
                _keep_a_technician(file, name, before, role)
                file.execute("UPDATE person SET role = ? WHERE name = ?", (role.value, name))
                file.execute("DELETE FROM token WHERE person = ?", (name,))
            if password is not None:
                file.execute("UPDATE person SET password = ? WHERE name = ?", (password, name))
                file.execute("DELETE FROM failure WHERE subject = ?", (f"person {name}",))
            file.execute("DELETE FROM session WHERE person = ?", (name,))
            file.execute("DELETE FROM pairing WHERE person = ?", (name,))

    def remove(self, name: str) -> None:
        """Remove somebody with all of their sessions and tokens. Raises AccessError as `change` does."""
        with self._open() as file:
            _keep_a_technician(file, name, _known(file, name), None)
            file.execute("DELETE FROM person WHERE name = ?", (name,))

    def is_claimed(self) -> bool:
        """Whether anybody could ever log in: by a password, or by a code that was used."""
        with self._open() as file:
            found = file.execute(
                "SELECT 1 FROM person WHERE password IS NOT NULL UNION SELECT 1 FROM session"
            ).fetchone()
        return found is not None

    def password_of(self, name: str) -> str | None:
        """Return the hash of somebody's password; None where they have none, or nobody is of that name."""
        with self._open() as file:
            row = file.execute("SELECT password FROM person WHERE name = ?", (name,)).fetchone()
        return None if row is None else row[0]

    def begin_session(self, name: str, now_ms: int) -> str:
        """Return the secret of a new session of somebody."""
        secret = secrets.token_urlsafe(32)
        with self._open() as file:
            _known(file, name)
            file.execute("DELETE FROM session WHERE ends_ms <= ?", (now_ms,))
            file.execute(
                "INSERT INTO session VALUES (?, ?, ?, ?)", (_digest(secret), name, now_ms, now_ms + SESSION_MS)
            )
        return secret

    def session(self, secret: str, now_ms: int) -> Person | None:
        """Return whose session a secret is; None for one that is over or never was."""
        with self._open() as file:
            row = file.execute(
                "SELECT p.name, p.role, p.password IS NOT NULL, p.made_ms FROM session s "
                "JOIN person p ON p.name = s.person WHERE s.digest = ? AND s.ends_ms > ?",
                (_digest(secret), now_ms),
            ).fetchone()
        return None if row is None else Person(row[0], Role(row[1]), bool(row[2]), row[3])

    def end_session(self, secret: str) -> None:
        """End one session."""
        with self._open() as file:
            file.execute("DELETE FROM session WHERE digest = ?", (_digest(secret),))

    def end_sessions(self, name: str) -> None:
        """End all of somebody's sessions."""
        with self._open() as file:
            file.execute("DELETE FROM session WHERE person = ?", (name,))

    def add_token(self, name: str, label: str, role: Role, days: int, now_ms: int) -> tuple[Token, str]:
        """Return a new token of somebody and its secret, which nobody can read again."""
        secret, id_ = TOKEN_MARK + secrets.token_urlsafe(32), secrets.token_hex(6)
        token = Token(id_, label, role, name, now_ms, now_ms + days * _DAY_MS)
        with self._open() as file:
            _known(file, name)
            file.execute(
                "INSERT INTO token VALUES (?, ?, ?, ?, ?, ?, ?)",
                (id_, _digest(secret), label, role.value, name, now_ms, token.ends_ms),
            )
        return token, secret

    def tokens(self) -> tuple[Token, ...]:
        """Return all tokens, those that ended among them, the newest last."""
        with self._open() as file:
            rows = file.execute(
                "SELECT id, label, role, person, made_ms, ends_ms FROM token ORDER BY made_ms, id"
            ).fetchall()
        return tuple(Token(id_, label, Role(role), *rest) for id_, label, role, *rest in rows)

    def token(self, secret: str, now_ms: int) -> Token | None:
        """Return the token of a secret; None for one that is over or never was."""
        with self._open() as file:
            row = file.execute(
                "SELECT id, label, role, person, made_ms, ends_ms FROM token WHERE digest = ? AND ends_ms > ?",
                (_digest(secret), now_ms),
            ).fetchone()
        return None if row is None else Token(row[0], row[1], Role(row[2]), *row[3:])

    def remove_token(self, id_: str) -> bool:
        """End a token for good; return whether there was one."""
        with self._open() as file:
            return bool(file.execute("DELETE FROM token WHERE id = ?", (id_,)).rowcount)

    def add_pairing(self, name: str, now_ms: int, lasts_ms: int = PAIRING_MS) -> str:
        """Return a code with which one device logs in as somebody, once and soon."""
        code = secrets.token_urlsafe(16)
        with self._open() as file:
            _known(file, name)
            file.execute("DELETE FROM pairing WHERE ends_ms <= ?", (now_ms,))
            file.execute("INSERT INTO pairing VALUES (?, ?, ?)", (_digest(code), name, now_ms + lasts_ms))
        return code

    def claim(self, code: str, now_ms: int) -> str | None:
        """Return who a pairing's code logs in, and use it up; None for one that is over, used or unknown."""
        with self._open() as file:
            row = file.execute(
                "DELETE FROM pairing WHERE digest = ? AND ends_ms > ? RETURNING person", (_digest(code), now_ms)
            ).fetchone()
        return None if row is None else str(row[0])

    def failed(self, subject: str, now_ms: int) -> int:
        """Count one more failed log-in of a subject, and return how many there were in a row."""
        with self._open() as file:
            file.execute("DELETE FROM failure WHERE at_ms < ?", (now_ms - _DAY_MS,))
            row = file.execute(
                "INSERT INTO failure VALUES (?, 1, ?) ON CONFLICT (subject) DO UPDATE "
                "SET count = count + 1, at_ms = excluded.at_ms RETURNING count",
                (subject, now_ms),
            ).fetchone()
        return int(row[0])

    def failures(self) -> dict[str, int]:
        """Return the failed log-ins in a row, by subject."""
        with self._open() as file:
            return dict(file.execute("SELECT subject, count FROM failure").fetchall())

    def forgive(self, subject: str) -> None:
        """Forget a subject's failures: it has logged in."""
        with self._open() as file:
            file.execute("DELETE FROM failure WHERE subject = ?", (subject,))

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        """Give the file to one thread, for one transaction."""
        with self._lock:
            self._file.execute("BEGIN IMMEDIATE")
            try:
                yield self._file
            except BaseException:
                self._file.execute("ROLLBACK")
                raise
            self._file.execute("COMMIT")


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _known(file: sqlite3.Connection, name: str) -> Role:
    row = file.execute("SELECT role FROM person WHERE name = ?", (name,)).fetchone()
    if row is None:
        raise AccessError(f"person {name}: nobody of that name is known; see `shiftwright user list`")
    return Role(row[0])


def _keep_a_technician(file: sqlite3.Connection, name: str, before: Role, after: Role | None) -> None:
    if before is not Role.TECHNICIAN or after is Role.TECHNICIAN:
        return
    others = file.execute("SELECT 1 FROM person WHERE role = ? AND name <> ?", (before.value, name)).fetchone()
    if others is None:
        raise AccessError(f"person {name}: is the only technician, and one has to be left; make another one first")
