"""What release this is: the version, and a digest of the very files that run, by the record that pip keeps of them."""

import hashlib
import json
import sys
from importlib.metadata import distribution
from pathlib import Path
from typing import NamedTuple

from daemon.cli.errors import RefusedError

_OURS = ("daemon/", "api/", "drivers/", "sim/")
_NAME = "shiftwright"


class Release(NamedTuple):
    """The release that is running."""

    version: str
    record: str
    """SHA-256 over the names and hashes of all its files."""
    source: str
    """What pip takes it from when there is no folder of wheels."""
    python: str
    """The Python that a virtual environment is made with."""

    @property
    def name(self) -> str:
        """What it is called on the disk."""
        return f"{self.version}-{self.record[:8]}"


def this_release() -> Release:
    """Return what is running. Raises RefusedError where that is a folder of sources and no installed release."""
    found = distribution(_NAME)
    record = _digest(found.read_text("RECORD") or "")
    if not record:
        raise RefusedError("This runs from its sources (pip install -e): install it with pip install . first.")
    url = json.loads(found.read_text("direct_url.json") or "{}").get("url", f"{_NAME}=={found.version}")
    minor = f"python{sys.version_info.major}.{sys.version_info.minor}"
    return Release(found.version, record, str(url), str(Path(sys.base_prefix) / "bin" / minor))


def record_of(home: Path) -> str:
    """Return the digest of the release in a virtual environment; empty where there is none, or only a part of one."""
    for record in home.glob(f"lib/python*/site-packages/{_NAME}-*.dist-info/RECORD"):
        return _digest(record.read_text("utf-8"))
    return ""


def _digest(record: str) -> str:
    lines = sorted(line for line in record.splitlines() if line.startswith(_OURS) and "__pycache__" not in line)
    return hashlib.sha256("\n".join(lines).encode()).hexdigest() if lines else ""
