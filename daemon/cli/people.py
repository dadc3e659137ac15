"""`user`: who may log in to the api, on the controller itself; works while daemon and api are down."""

import argparse
import contextlib
import getpass
import secrets
import sys
from collections.abc import Iterator

from api.access.passwords import hash_of, weakness
from api.access.roles import Role
from api.access.store import PAIRING_MS, AccessStore
from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.cli.tables import table
from daemon.clock import RealClock
from daemon.folder import ACCESS


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what is done with people."""
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    added = verbs.add_parser("add", help="let somebody log in")
    added.add_argument("name", help="small letters, digits and underscores")
    added.add_argument("role", choices=[role.value for role in Role])
    reset = verbs.add_parser("reset", help="give somebody a new password, or a code; ends their sessions")
    reset.add_argument("name")
    for one in (added, reset):
        one.add_argument("--code", action="store_true", help="print a code for one log-in instead of asking a password")
        add_folder(one)
    removed = verbs.add_parser("remove", help="let somebody log in no more")
    removed.add_argument("name")
    add_folder(removed)
    add_folder(verbs.add_parser("list", help="who may log in"))


def main(arguments: argparse.Namespace) -> int:
    """Do it; return the exit code. Raises AccessError, InputError."""
    with _store(arguments) as store:
        verbs = {"add": _add, "reset": _reset, "remove": _remove, "list": _list}
        print(verbs[arguments.verb](arguments, store))
    return 0


def _add(arguments: argparse.Namespace, store: AccessStore) -> str:
    name = arguments.name
    if not (name.isascii() and name[:1].islower() and name.replace("_", "a").isalnum() and name == name.lower()):
        raise InputError(f"user add: got the name {name!r}; expected small letters, digits and underscores")
    stored = None if arguments.code else hash_of(_asked(name))
    now_ms = RealClock().stamp().ms
    store.add(name, Role(arguments.role), now_ms, stored)
    return f"{name} may log in as {arguments.role}.{_code(arguments, store, now_ms)}"


def _reset(arguments: argparse.Namespace, store: AccessStore) -> str:
    now_ms = RealClock().stamp().ms
    store.change(
        arguments.name, password=hash_of(secrets.token_urlsafe(32) if arguments.code else _asked(arguments.name))
    )
    return f"{arguments.name} was logged out everywhere.{_code(arguments, store, now_ms)}"


def _remove(arguments: argparse.Namespace, store: AccessStore) -> str:
    store.remove(arguments.name)
    return f"{arguments.name} may log in no more."


def _list(arguments: argparse.Namespace, store: AccessStore) -> str:
    rows = [
        (person.name, person.role.value, "yes" if person.has_password else "by a code") for person in store.people()
    ]
    return "\n".join(table(("name", "role", "password"), rows)) if rows else "Nobody may log in yet."


def _code(arguments: argparse.Namespace, store: AccessStore, now_ms: int) -> str:
    if not arguments.code:
        return ""
    return f" Code, once and within {PAIRING_MS // 60_000} minutes: {store.add_pairing(arguments.name, now_ms)}"


def _asked(name: str) -> str:
    """Return a password from the terminal, asked twice, or from a line of standard input. Raises InputError."""
    if sys.stdin.isatty():
        password = getpass.getpass("password: ")
        if getpass.getpass("once more: ") != password:
            raise InputError("user: got two passwords that differ; expected the same twice")
    else:
        password = sys.stdin.readline().rstrip("\n")
    weak = weakness(name, password)
    if weak:
        raise InputError(f"user: password: {weak}")
    return password


@contextlib.contextmanager
def _store(arguments: argparse.Namespace) -> Iterator[AccessStore]:
    if not arguments.db.is_dir():
        raise InputError(f"--db: got {arguments.db}; expected the daemon's folder")
    with contextlib.closing(AccessStore(arguments.db / ACCESS)) as store:
        yield store
