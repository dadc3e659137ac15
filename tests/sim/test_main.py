"""The simulator as a process: its pipe, its pace, its exit codes."""

import json
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.sim.conftest import ROOT, SITE

_TIMEOUT_S = 20.0
_CHARGE = {"tank": "a", "litres": 800, "nutrients_g_l": {"N": 31.0}, "product_g_l": 200, "ec_ms_cm_per_g_l": 1.2}


class Pipe:
    """A started simulator and its pipe."""

    def __init__(self, process: "subprocess.Popen[bytes]") -> None:
        self.process = process
        self.ready = self._reply()

    def ask(self, **request: Any) -> dict[str, Any]:
        """Send one request and return its one reply."""
        return json.loads(self.say(json.dumps(request)))  # type: ignore[no-any-return]

    def say(self, line: str) -> str:
        """Send one line and return the one line that comes back."""
        stdin, stdout = self.process.stdin, self.process.stdout
        assert stdin is not None and stdout is not None
        stdin.write(line.encode() + b"\n")
        stdin.flush()
        return stdout.readline().decode()

    def read_input(self, bus: str, unit: int, count: int) -> bytes:
        """Read input registers from 0 on over Modbus TCP."""
        with socket.create_connection(("127.0.0.1", self.ready["ports"][bus]), timeout=_TIMEOUT_S) as master:
            master.sendall(struct.pack(">HHHBBHH", 1, 0, 6, unit, 4, 0, count))
            return master.recv(512)

    def close(self) -> int:
        """Close the pipe and return the exit code."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        return self.process.wait(_TIMEOUT_S)

    def _reply(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        return json.loads(self.process.stdout.readline())  # type: ignore[no-any-return]


@pytest.fixture
def free_site(tmp_path: Path) -> Path:
    """Kestrel Bend on any free ports."""
    text = SITE.read_text(encoding="utf-8").replace("port = 15020", "port = 0").replace("port = 15021", "port = 0")
    path = tmp_path / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


@contextmanager
def _started(site: Path, *options: str) -> Iterator[Pipe]:
    command = [sys.executable, "-m", "sim", str(site), *options]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        try:
            yield Pipe(process)
        finally:
            process.kill()


def test_a_session_on_the_pipe(free_site: Path) -> None:
    """Guards the protocol: ready first, one reply for each line, a bad line harms nothing, quit ends it with 0."""
    with _started(free_site, "--perfect", "--seed", "7") as pipe:
        assert pipe.ready["ready"] is True
        assert pipe.ready["seed"] == 7
        assert set(pipe.ready["ports"]) == {"relays", "signals"}
        assert all(port > 0 for port in pipe.ready["ports"].values())
        assert pipe.ask(do="charge", **_CHARGE) == {"ok": True}
        assert pipe.ask(do="advance", s=60.0) == {"ok": True}
        assert pipe.ask(do="fault", name="siphon", l_h=36.0) == {"ok": True}
        assert pipe.ask(do="advance", s=100.0) == {"ok": True}
        assert pipe.say('{"do":"advance"').startswith('{"ok":false,"error":"got a line that is not JSON')
        assert pipe.say("nonsense").startswith("error: got 'nonsense'")
        account = pipe.ask(do="truth")
        assert account["time_s"] == pytest.approx(160.0, abs=0.1)
        assert account["stock_injected_l"]["a"] == pytest.approx(1.0, rel=0.01)
        assert account["residual"] < 1e-9
        assert account["requests"] == {"relays": 0, "signals": 0}
        assert pipe.ask(do="quit") == {"ok": True}
        assert pipe.process.wait(_TIMEOUT_S) == 0


def test_the_same_seed_and_the_same_questions_get_the_same_answers(free_site: Path) -> None:
    """Guards determinism at the pipe's pace, registers with their noise and the truth; another seed differs."""
    seen = []
    for seed in ("3", "3", "4"):
        with _started(free_site, "--seed", seed) as pipe:
            pipe.ask(do="charge", **_CHARGE)
            pipe.ask(do="fault", name="siphon", at_s=20.0)
            frames = []
            for _ in range(5):
                pipe.ask(do="advance", s=7.3)
                frames += [pipe.read_input("relays", 1, 6), pipe.read_input("signals", 2, 18)]
            seen.append((frames, pipe.ask(do="truth")))
            assert pipe.close() == 0
    assert seen[0] == seen[1]
    assert seen[0][0] != seen[2][0]
    assert seen[0][1]["hidden"] != seen[2][1]["hidden"]


def test_a_hidden_factor_can_be_set(free_site: Path) -> None:
    """Guards the mutation of a plant: a factor given on the command line is the one in use."""
    with _started(free_site, "--perfect", "--hidden", "pipe_volume=1.10", "line_ec=0.95") as pipe:
        hidden = pipe.ask(do="truth")["hidden"]
        assert pipe.close() == 0
    assert hidden["pipe_volume.creek"] == 1.1
    assert hidden["line_ec"] == 0.95
    assert hidden["main_meter"] == 1.0


def test_a_paced_plant_moves_by_itself_and_ends_with_its_pipe(free_site: Path) -> None:
    """Guards the pace: plant time passes without advance, and nobody's simulator is left behind."""
    with _started(free_site, "--pace", "1000") as pipe:
        first = pipe.ask(do="truth")["time_s"]
        pipe.read_input("relays", 1, 6)
        account = pipe.ask(do="truth")
        assert account["time_s"] > first
        assert account["requests"]["relays"] == 1
        assert pipe.close() == 0


def test_serial_lines_are_ready_under_their_link(free_site: Path, tmp_path: Path) -> None:
    """Guards the ready line for every kind of bus, that quit takes the link away, and that a kill does no harm."""
    link = tmp_path / "line"
    text = free_site.read_text(encoding="utf-8")
    relays, signals = 'kind = "tcp"\nhost = "127.0.0.1"\nport = 0\n', "[bus.signals]\n"
    line = f'kind = "rtu"\nline = "{link}"\nbaud = 19200\nparity = "N"\nstop_bits = 2\n'
    text = text.replace(relays, line, 1).replace(f'{signals}kind = "tcp"', f'{signals}kind = "rtu_over_tcp"')
    free_site.write_text(text, encoding="utf-8")
    with _started(free_site, "--paced-lines") as pipe:
        ports = pipe.ready["ports"]
        assert ports["relays"] == str(link)
        assert ports["signals"] > 0
        assert link.is_char_device()
        second = _finished(free_site)
        assert second.returncode == 2
        assert second.stderr.count("\n") == 1
        assert f"{link}: a link to" in second.stderr
    assert link.is_symlink()
    with _started(free_site) as pipe:
        assert link.is_char_device()
        assert pipe.ask(do="truth")["requests"] == {"relays": 0, "signals": 0}
        assert pipe.close() == 0
    assert not link.is_symlink()


def test_a_taken_port_is_one_line_and_exit_code_2(free_site: Path, tmp_path: Path) -> None:
    """Guards the start: one clear line on standard error, no trace, code 2."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        site = tmp_path / "taken.toml"
        site.write_text(
            SITE.read_text(encoding="utf-8").replace("port = 15020", f"port = {port - 5}"), encoding="utf-8"
        )
        done = _finished(site, "--port-offset", "5")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert f"127.0.0.1:{port} cannot be listened on" in done.stderr


def test_a_broken_site_file_is_one_line_and_exit_code_2(tmp_path: Path) -> None:
    """Guards the start: the same for a file that is not there."""
    done = _finished(tmp_path / "none.toml")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "none.toml: cannot be read" in done.stderr


def test_commands_may_come_from_a_file(free_site: Path, tmp_path: Path) -> None:
    """Guards the plain use from a shell: a script of words, answered in words, and the end of the file ends it."""
    script = tmp_path / "script.txt"
    script.write_text("advance 60\nfault airlock on\ntruth", encoding="utf-8")
    with script.open("rb") as stdin:
        done = _finished(free_site, stdin=stdin)
    assert done.returncode == 0
    assert done.stdout.splitlines()[1:3] == ["ok at 60.0 s", "ok at 60.0 s"]
    assert "balance" in done.stdout.splitlines()[3]


@pytest.mark.parametrize("option", [("--hidden", "luck=1"), ("--pace", "0"), ("--pace", "fast")])
def test_options_that_mean_nothing_are_refused(free_site: Path, option: tuple[str, str]) -> None:
    """Guards the command line: an unknown factor or pace is not passed over."""
    done = _finished(free_site, *option)
    assert done.returncode == 2
    assert option[0] in done.stderr


def _finished(site: Path, *options: str, stdin: Any = subprocess.DEVNULL) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, "-m", "sim", str(site), *options],
        cwd=ROOT,
        stdin=stdin,
        capture_output=True,
        text=True,
        timeout=_TIMEOUT_S,
        check=False,
    )
