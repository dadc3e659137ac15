"""The credential file: a table of secrets for each destination, which nobody but its owner may read."""

import stat
import tomllib
from collections.abc import Mapping
from pathlib import Path

from daemon.destinations import Alerts

_KEYS = frozenset({"user", "password", "token"})


class CredentialError(Exception):
    """The credential file cannot be used. Says where and what to do; never what is in it."""

    code = "alert.credentials"


def read_credentials(alerts: Alerts) -> dict[str, Mapping[str, str]]:
    """Return the secrets by destination; none where the site names no file. Raises CredentialError."""
    if alerts.credentials is None:
        return {}
    path = Path(alerts.credentials)
    try:
        mode = path.stat().st_mode
        if stat.S_IMODE(mode) & 0o077:
            raise CredentialError(f"{path}: others than its owner may read it; expected mode 600 (chmod 600)")
        found = tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as error:
        told = error.strerror if isinstance(error, OSError) else "no TOML in UTF-8"
        raise CredentialError(f"{path}: cannot be read ({told}); expected a TOML file of secrets") from None
    for name, table in found.items():
        if name not in alerts.to:
            raise CredentialError(f"{path}: got the table {name!r}; expected one of {', '.join(alerts.to)}")
        if (
            not isinstance(table, dict)
            or not set(table) <= _KEYS
            or not all(isinstance(v, str) for v in table.values())
        ):
            raise CredentialError(
                f"{path}: table {name}: expected texts for {', '.join(sorted(_KEYS))} and nothing else"
            )
    return found
