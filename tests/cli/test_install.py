"""The installation as a list of things to do: told before done, done once, and nothing in use touched too early."""

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pytest

from daemon.cli import install
from daemon.cli.errors import RefusedError
from daemon.cli.install import PLACES, steps_of
from daemon.cli.install_steps import Copy, InstallError, Link, Remove, Run, Step, Write
from daemon.cli.main import main
from daemon.cli.release import Release, record_of
from daemon.site import Site
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from tests.night.sites import KESTREL_BEND

_RELEASE = Release("0.1.0", "0123456789abcdef", "file:///somewhere/shiftwright", "/usr/bin/python3.11")
_EVERY_KIND = Path(__file__).parents[1] / "every_kind.toml"
_SYSTEMD = Path(__file__).parents[2] / "systemd"


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return an empty root; what is installed comes from the project's own folder."""
    monkeypatch.setattr(install, "SHARE", _SYSTEMD)
    made = tmp_path / "root"
    made.mkdir()
    return made


def _site(text: str) -> Site:
    return parse_site(text, load_profiles()).site


def _steps(root: Path, text: str | None = None, wheels: Path | None = None) -> Sequence[Step]:
    return steps_of(root, _RELEASE, wheels, text, None if text is None else _site(text))


def _files(steps: Sequence[Step], root: Path) -> dict[str, str]:
    return {str(step.path.relative_to(root)): step.text for step in steps if isinstance(step, Write)}


def test_nothing_in_use_is_touched_before_the_new_release_is_whole(root: Path) -> None:
    """The link is turned last but for the command's; before it, and after pip, comes the backup of what there is."""
    steps = [type(step).__name__ for step in _steps(root)]
    assert steps[:2] == ["Run", "Run"] and steps[-2:] == ["Link", "Link"] and "Link" not in steps[:-2]
    state = root / "var/lib/shiftwright"
    state.mkdir(parents=True)
    (state / "ledger.db").write_bytes(b"")
    assert not any("backup" in str(step) for step in _steps(root)), "there is no release yet that could read it"
    (root / "opt/shiftwright/old").mkdir(parents=True)
    Link(root / "opt/shiftwright/venv", "old").do()
    told = [str(step) for step in _steps(root)]
    (backup,) = (place for place, text in enumerate(told) if " backup " in text)
    (link,) = (place for place, text in enumerate(told) if text.startswith(f"link {root}/opt/shiftwright/venv"))
    assert backup == link - 1 and "--reuid=shiftwright" in told[backup]


def test_wheels_alone_are_used_without_a_network(root: Path, tmp_path: Path) -> None:
    """Offline means offline: no index is asked; an image gets the wheels put where its own commands see them."""
    wheels = tmp_path / "wheels"
    wheels.mkdir()
    (wheels / "a.whl").write_bytes(b"x")
    steps = _steps(root, wheels=wheels)
    assert isinstance(steps[0], Copy) and steps[0].path == root / "opt/shiftwright/wheels"
    assert "--no-index --find-links /opt/shiftwright/wheels shiftwright==0.1.0" in str(steps[2])
    assert all(str(step).startswith(f"run chroot {root} ") for step in steps if isinstance(step, Run))
    live = steps_of(Path("/"), _RELEASE, wheels, None, None)
    assert f"--no-index --find-links {wheels} shiftwright==0.1.0" in str(live[1])
    assert "pip install --quiet file:///somewhere/shiftwright" in str(
        steps_of(Path("/"), _RELEASE, None, None, None)[1]
    )


def test_serial_ports_of_the_site_and_no_others_are_shown(root: Path, tmp_path: Path) -> None:
    """RTU needs its port through the unit's hardening; a site without one leaves no hole, and takes an old one away."""
    files = _files(_steps(root, _EVERY_KIND.read_text("utf-8")), root)
    drop_in = files["etc/systemd/system/shiftwright.service.d/site.conf"]
    (port,) = {bus.line for bus in _site(_EVERY_KIND.read_text("utf-8")).bus.values() if bus.kind == "rtu"}
    assert f"DeviceAllow={port} rw\n" in drop_in and "DevicePolicy=closed\n" in drop_in
    tcp = (KESTREL_BEND / "site.toml").read_text("utf-8")
    kept = f'{tcp}\n[keeping]\ncopy_to = "/mnt/usb/farm"\n'
    told = _files(_steps(root, kept), root)["etc/systemd/system/shiftwright.service.d/site.conf"]
    assert "ReadWritePaths=-/mnt/usb/farm\n" in told and "Device" not in told
    assert "site.conf" not in " ".join(_files(_steps(root, tcp), root))
    left = root / "etc/systemd/system/shiftwright.service.d/site.conf"
    Write(left, drop_in).do()
    assert Remove(left) in _steps(root, tcp)
    unit = tmp_path / "shiftwright.service"
    unit.write_text((_SYSTEMD / "shiftwright.service").read_text("utf-8") + drop_in, "utf-8")
    words = ("systemd-analyze", "security", "--offline=yes", "--threshold=20", str(unit))
    assert subprocess.run(words, capture_output=True, check=False).returncode == 0


def test_the_farm_has_a_name_only_where_it_can_be_reached(root: Path) -> None:
    """By mDNS the pages are told with the site's own port; pages for this computer alone are told to nobody."""
    text = (KESTREL_BEND / "site.toml").read_text("utf-8")
    name = "etc/avahi/services/shiftwright.service"
    assert name not in _files(_steps(root, text), root)
    open_to_all = text.replace("[api]\n", '[api]\nhost = "0.0.0.0"\nport = 8123\n')
    assert "<port>8123</port>" in _files(_steps(root, open_to_all), root)[name]


def test_all_of_the_systemd_folder_is_installed() -> None:
    """A file that is added there and named nowhere would be on no farm."""
    assert {path.name for path in _SYSTEMD.iterdir()} == {*PLACES, "shiftwright.avahi"}


def test_each_thing_is_done_once(root: Path) -> None:
    """What is as it should be is left alone; a file of other content is replaced, a link is turned in one go."""
    write = Write(root / "etc/a.conf", "one\n", 0o640)
    link = Link(root / "opt/venv", "first")
    for step in (write, link):
        assert not step.is_done()
        step.do()
        assert step.is_done()
    assert (root / "etc/a.conf").stat().st_mode & 0o777 == 0o640
    assert not Write(write.path, "two\n").is_done() and not Link(link.path, "second").is_done()
    Link(link.path, "second").do()
    assert os.readlink(link.path) == "second"
    Remove(write.path).do()
    assert Remove(write.path).is_done() and {one.name for one in (root / "etc").iterdir()} == set()
    (root / "etc/folder/deep").mkdir(parents=True)
    Remove(root / "etc/folder").do()
    assert Remove(root / "etc/folder").is_done()


def test_a_command_that_fails_is_told_with_its_words(root: Path) -> None:
    """Whoever reads it must know which command, what it said, and that installing again goes on."""
    with pytest.raises(
        InstallError, match=r"sh -c echo no room >&2; exit 3: ended with 3: no room; see to it and install"
    ):
        Run(("sh", "-c", "echo no room >&2; exit 3")).do()
    with pytest.raises(InstallError, match="nowhere-to-be-found"):
        Run(("nowhere-to-be-found",)).do()
    (root / "a").write_text("", "utf-8")
    with pytest.raises(InstallError, match="could not be written"):
        Write(root / "a" / "b", "x").do()


def test_a_release_is_known_by_its_files(tmp_path: Path) -> None:
    """Half an installation, or another build of the same version, is not taken for this one."""
    assert record_of(tmp_path) == ""
    record = tmp_path / "lib/python3.11/site-packages/shiftwright-0.1.0.dist-info/RECORD"
    record.parent.mkdir(parents=True)
    lines = ["daemon/a.py,sha256=1,2", "api/b.py,sha256=2,3", "../../../bin/shiftwright,sha256=9,9"]
    record.write_text("\n".join(lines), "utf-8")
    first = record_of(tmp_path)
    record.write_text(
        "\n".join((*lines[1::-1], "../../../bin/shiftwright,sha256=8,8", "daemon/__pycache__/a,,")), "utf-8"
    )
    assert first and record_of(tmp_path) == first
    record.write_text(record.read_text("utf-8").replace("sha256=1", "sha256=7"), "utf-8")
    assert record_of(tmp_path) != first


def test_sources_are_not_installed(capsys: pytest.CaptureFixture[str]) -> None:
    """A farm's service must not run from a folder that somebody edits."""
    assert main(["install", "--dry-run"]) == 1
    assert "pip install . first" in capsys.readouterr().err


def test_a_dry_run_says_every_file_and_command(
    root: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is done, and all that would be is told, also of what comes after and of taking it away."""
    monkeypatch.setattr(install, "this_release", lambda: _RELEASE)
    wheels = root / "wheels"
    wheels.mkdir()
    site = shutil.copy(KESTREL_BEND / "site.toml", root / "given.toml")
    before = sorted(root.rglob("*"))
    where = ["--root", str(root), "--dry-run"]
    assert main(["install", *where, "--wheels", str(wheels), "--site", str(site)]) == 0
    told = capsys.readouterr().out
    for part in (*map(str, PLACES.values()), "etc/shiftwright/site.toml", "-m venv", "systemd-sysusers", "enable"):
        assert part in told, part
    (root / "etc/systemd/system").mkdir(parents=True)
    (root / PLACES["shiftwright.service"]).write_text("", "utf-8")
    assert main(["uninstall", *where]) == 0
    told = capsys.readouterr().out
    assert f"remove {root}/opt/shiftwright" in told and "Kept: /var/lib/shiftwright" in told
    assert sorted(set(root.rglob("*")) - set(before)) == [
        root / "etc",
        root / "etc/systemd",
        root / "etc/systemd/system",
        root / PLACES["shiftwright.service"],
    ]


def test_an_image_needs_its_wheels(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An image's commands have no network; and what is no folder is no root."""
    assert main(["install", "--root", str(root), "--dry-run"]) == 2
    assert "expected --wheels" in capsys.readouterr().err
    assert main(["uninstall", "--root", str(root / "none"), "--dry-run"]) == 2


def test_not_while_a_shift_is_under_way(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """P13: an upgrade during INJECT is refused; a stop in the middle of it would leave stock in the lines."""

    class Busy:
        def __init__(self, *_: object) -> None: ...
        def __enter__(self) -> "Busy":
            return self

        def __exit__(self, *_: object) -> None: ...
        def snapshot(self) -> "Busy":
            return self

        procedure = "RUNNING"

    state = root / "var/lib/shiftwright"
    state.parent.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as short, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as mute:
        state.symlink_to(short)  # a socket's path has a hundred characters at most
        install._refuse_while_running(root)
        (state / "daemon.sock").touch()
        install._refuse_while_running(root)
        (state / "daemon.sock").unlink()
        mute.bind(f"{short}/daemon.sock")
        mute.listen()
        monkeypatch.setattr(install, "_LOOK_S", 0.05)
        with pytest.raises(RefusedError, match="whether a shift is under way cannot be seen"):
            install._refuse_while_running(root)
        monkeypatch.setattr(install, "LocalClient", Busy)
        with pytest.raises(RefusedError, match="A shift is under way"):
            install._refuse_while_running(root)
