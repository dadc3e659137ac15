"""An installation in the clean root of another computer, offline: it starts, is upgraded after a backup, and goes.

The root has this computer's programs and nothing else of it. A running systemd is not part of it.
"""

import asyncio
import os
import shutil
import socket
import subprocess
import sys
import zipfile
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

import httpx
import pytest

from daemon.control.states import ENDED
from daemon.ledger.backup import read_backup
from daemon.ledger.reports import verify_file
from tests.process.apis import free_port
from tests.process.processes import PATIENCE_S, bench, end, shiftwright, start_run

pytestmark = [
    pytest.mark.proof,
    pytest.mark.peer,
    pytest.mark.timeout(400),
    pytest.mark.skipif(os.geteuid() != 0, reason="changes roots and mounts: needs root"),
]

_PROJECT = Path(__file__).parents[2]
_CLEAN_ROOT = Path(__file__).with_name("clean_root.sh")
_HAS_ENDED = {state.value for state in ENDED}
_UNITS = ("shiftwright.service", "shiftwright-api.service")


def _rooted(root: Path, *words: str) -> list[str]:
    """Return a command that runs where `root` is another computer's."""
    return ["unshare", "-m", "bash", str(_CLEAN_ROOT), str(root), sys.base_prefix, *words]


def _done(*words: str) -> str:
    done = subprocess.run(words, capture_output=True, text=True, timeout=300.0, check=False)
    assert done.returncode == 0, (words, done.stdout, done.stderr)
    return done.stdout + done.stderr


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the wheels of the project and of all that it needs."""
    found = tmp_path_factory.mktemp("wheels")
    _done(sys.executable, "-m", "pip", "wheel", "-q", "-w", str(found), str(_PROJECT))
    return found


@pytest.fixture(scope="module")
def installer(wheels: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the command, installed somewhere without any network."""
    where = tmp_path_factory.mktemp("installer")
    _done(sys.executable, "-m", "venv", str(where))
    _done(str(where / "bin" / "pip"), "install", "-q", "--no-index", "--find-links", str(wheels), "shiftwright")
    return where / "bin" / "shiftwright"


def _later_release(wheels: Path, installer: Path, folder: Path) -> Path:
    """Return wheels of which the project's own differs by a line, and have the installer be that release."""
    found = Path(shutil.copytree(wheels, folder / "later"))
    (wheel,) = found.glob("shiftwright-*.whl")
    unpacked = folder / "unpacked"
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(unpacked)
    (installed,) = installer.parents[1].glob("lib/python*/site-packages")
    for place in (unpacked, installed):
        changed = place / "daemon" / "folder.py"
        changed.write_text(changed.read_text("utf-8") + "# later\n", "utf-8")
        (record,) = place.glob("shiftwright-*.dist-info/RECORD")
        lines = record.read_text("utf-8").splitlines()
        lines = ["daemon/folder.py,sha256=later,1" if line.startswith("daemon/folder.py,") else line for line in lines]
        record.write_text("\n".join(lines) + "\n", "utf-8")
    wheel.unlink()
    with zipfile.ZipFile(wheel, "w") as packed:
        for path in unpacked.rglob("*"):
            if path.is_file():
                packed.write(path, path.relative_to(unpacked))
    return found


def _start_line(root: Path, unit: str) -> list[str]:
    """Return the words that a unit as installed is started by, as its user."""
    text = (root / "etc/systemd/system" / unit).read_text("utf-8")
    (line,) = (line for line in text.splitlines() if line.startswith("ExecStart="))
    return ["chroot", "--userspec=shiftwright:shiftwright", str(root), *line.removeprefix("ExecStart=").split()]


@contextmanager
def _notified(root: Path) -> Iterator[socket.socket]:
    """Listen in the root as systemd would."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        path = root / "run" / "notify"
        listening.bind(str(path))
        path.chmod(0o666)
        listening.setblocking(False)
        yield listening
        path.unlink()


@asynccontextmanager
async def _started(root: Path, unit: str) -> AsyncIterator[asyncio.subprocess.Process]:
    process = await asyncio.create_subprocess_exec(
        *_rooted(root, *_start_line(root, unit)),
        env={"PATH": "/usr/sbin:/usr/bin", "NOTIFY_SOCKET": "/run/notify", "LANG": "C.UTF-8"},
        umask=0o077,
    )
    try:
        yield process
    finally:
        await end(process)


async def test_installed_offline_started_upgraded_and_taken_away(wheels: Path, installer: Path, tmp_path: Path) -> None:
    """The whole life of an installation: twice the same, both units' start lines, an upgrade, and the record stays."""
    root = tmp_path / "root"
    root.mkdir()
    root.chmod(0o755)
    install = (str(installer), "install", "--root", str(root))
    async with bench(tmp_path / "farm", speed=1.0) as farm:
        port = free_port()
        farm.site.write_text(f"{farm.site.read_text('utf-8')}\n[api]\nport = {port}\n", "utf-8")
        said = _done(*_rooted(root, *install, "--wheels", str(wheels), "--site", str(farm.site)))
        assert "is installed" in said
        again = _done(*_rooted(root, *install, "--wheels", str(wheels)))
        assert again.count("\n") == 1 and "as it should be" in again
        verified = _done(*_rooted(root, "chroot", str(root), "systemd-analyze", "verify", "--man=no", *_UNITS))
        assert "shiftwright" not in verified
        with _notified(root) as heard:
            async with _started(root, _UNITS[0]) as daemon, asyncio.timeout(PATIENCE_S):
                loop = asyncio.get_running_loop()
                assert b"READY=1" in await loop.sock_recv(heard, 100)
                async with _started(root, _UNITS[1]), httpx.AsyncClient() as client:
                    await _until_heard(client, port)
                daemon.terminate()
                assert await daemon.wait() == 0
    ledger = root / "var/lib/shiftwright/ledger.db"
    before = verify_file(ledger)
    assert before.broken_seq is None and ledger.stat().st_mode & 0o077 == 0

    later = _later_release(wheels, installer, tmp_path)
    old = os.readlink(root / "opt/shiftwright/venv")
    said = _done(*_rooted(root, *install, "--wheels", str(later)))
    new = os.readlink(root / "opt/shiftwright/venv")
    assert new != old and (root / "opt/shiftwright" / old).is_dir()
    (backup,) = (root / "var/lib/shiftwright/backups").iterdir()
    assert read_backup(backup).head == before.head
    assert said.index("backup") < said.index(f"link {root}/opt/shiftwright/venv")

    said = _done(*_rooted(root, str(installer), "uninstall", "--root", str(root)))
    assert "Kept: /var/lib/shiftwright" in said
    assert verify_file(ledger) == before and (root / "etc/shiftwright/site.toml").exists()
    left = {path.name for place in ("etc", "opt", "local") for path in (root / place).rglob("*shiftwright*")}
    assert left == {"shiftwright"}


async def test_an_upgrade_during_inject_is_refused(tmp_path: Path) -> None:
    """P13: a stop in the middle of an injection leaves stock in the lines: what stops the daemon waits for its end."""
    root = tmp_path / "root"
    (root / "var/lib").mkdir(parents=True)
    async with bench(tmp_path / "farm", speed=10.0) as farm:
        (root / "var/lib/shiftwright").symlink_to(farm.folder)
        async with farm.daemon() as daemon:
            await start_run(daemon)
            await daemon.until(lambda s: s.phase == "INJECT")
            said = await shiftwright("uninstall", "--root", root)
            assert said.code == 1 and "A shift is under way (RUNNING)" in said.err, said
            await daemon.until(lambda s: s.procedure in _HAS_ENDED)
            assert (await shiftwright("uninstall", "--root", root)).code == 0


async def _until_heard(client: httpx.AsyncClient, port: int) -> None:
    while True:
        try:
            answer = await client.get(f"http://127.0.0.1:{port}/v1/health")
            if answer.json()["controller"] == "heard":
                return
        except httpx.TransportError:
            pass
        await asyncio.sleep(0.05)
