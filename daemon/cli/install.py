"""`shiftwright install` and `uninstall`: on a farm's computer, or into the root of an image for one.

Each release has a virtual environment of its own under /opt/shiftwright, and `venv` is a link to the one in use: a
release is whole before it is linked, and the one before stays as the way back. What is as it should be is left alone.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from daemon.cli.errors import InputError, RefusedError
from daemon.cli.install_steps import Copy, InstallError, Link, Remove, Run, Step, Write
from daemon.cli.plant import read_plant, text_of
from daemon.cli.release import Release, record_of, this_release
from daemon.control.states import ACTIVE
from daemon.equipment import RtuBus
from daemon.folder import LEDGER, SOCKET
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import LocalSocketFault, NoDaemon
from daemon.site import Site

SHARE = Path(sys.prefix) / "share" / "shiftwright"
"""Where the wheel puts the files of the project's systemd folder."""
HOME, STATE, SITE = Path("opt/shiftwright"), Path("var/lib/shiftwright"), Path("etc/shiftwright/site.toml")
PLACES = {
    "shiftwright.service": Path("etc/systemd/system/shiftwright.service"),
    "shiftwright-api.service": Path("etc/systemd/system/shiftwright-api.service"),
    "shiftwright.sysusers": Path("etc/sysusers.d/shiftwright.conf"),
    "shiftwright.tmpfiles": Path("etc/tmpfiles.d/shiftwright.conf"),
    "70-shiftwright.rules": Path("etc/udev/rules.d/70-shiftwright.rules"),
}
_DROP_IN = Path("etc/systemd/system/shiftwright.service.d/site.conf")
_MDNS = Path("etc/avahi/services/shiftwright.service")
_COMMAND = Path("usr/local/bin/shiftwright")
_UNITS = ("shiftwright.service", "shiftwright-api.service")
_LOOK_S = 5.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what is installed from where, and where to."""
    parser.add_argument("--site", type=Path, metavar="FILE", help=f"the site file: it is put to /{SITE}")
    parser.add_argument(
        "--wheels", type=Path, metavar="DIR", help="install from the wheels in this folder, without any network"
    )
    _add_where(parser)


def add_uninstall(parser: argparse.ArgumentParser) -> None:
    """Declare where it is taken away."""
    _add_where(parser)


def _add_where(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--root", type=Path, default=Path("/"), metavar="DIR", help="the root of an image; commands run inside it"
    )
    parser.add_argument("--dry-run", action="store_true", help="say every file and command, and do nothing")


def main(arguments: argparse.Namespace) -> int:
    """Install what is running this command, as services of the computer; a second time changes nothing."""
    root = _root(arguments)
    if arguments.wheels is None and root != Path("/"):
        raise InputError("--root: expected --wheels with it: an image has no network to be relied on")
    release = this_release()
    site_text = _site_text(arguments.site, root)
    site = None if site_text is None else read_plant(arguments.site or root / SITE).site
    steps = steps_of(root, release, arguments.wheels, site_text, site)
    if not arguments.dry_run:
        _refuse_while_running(root)
    changed = _perform(steps, dry_run=arguments.dry_run)
    if not changed:
        print(f"Release {release.name} is installed, and all is as it should be.")
        return 0
    _perform(
        [*_afterwards(root, has_site=site_text is not None), *map(Remove, _older(root, release))],
        dry_run=arguments.dry_run,
    )
    if arguments.dry_run:
        return 0
    print(f"Release {release.name} is installed.")
    if site_text is None:
        print(f"Now put the farm's site file to /{SITE} (to begin with one: shiftwright demo --copy DIR), try it with")
        print(f"shiftwright check /{SITE}, and install again: it starts then.")
    return 0


def uninstall(arguments: argparse.Namespace) -> int:
    """Take away all that install put there but the record, the site file and the user that owns them."""
    root = _root(arguments)
    if not arguments.dry_run:
        _refuse_while_running(root)
    is_live = root == Path("/")
    steps: list[Step] = [Run(("systemctl", "disable", *(("--now",) if is_live else ()), *_UNITS), root)]
    gone = (*PLACES.values(), _DROP_IN.parent, _MDNS, _COMMAND, HOME)
    steps += [Remove(root / path) for path in gone]
    if is_live:
        steps.append(Run(("systemctl", "daemon-reload")))
    has_units = (root / PLACES["shiftwright.service"]).exists()
    _perform(steps if has_units else steps[1:], dry_run=arguments.dry_run)
    print(f"Kept: /{STATE} (the record and its backups), /{SITE.parent}, and the user shiftwright that owns them.")
    return 0


def steps_of(
    root: Path, release: Release, wheels: Path | None, site_text: str | None, site: Site | None
) -> Sequence[Step]:
    """Return what leads to an installed release, in order; nothing in use is touched before the link is turned."""
    home, here = root / HOME / release.name, f"/{HOME / release.name}"
    source = [release.source]
    steps: list[Step] = []
    if wheels is not None:
        found = str(wheels.absolute())
        if root != Path("/"):
            steps.append(Copy(wheels, root / HOME / "wheels"))
            found = f"/{HOME / 'wheels'}"
        source = ["--no-index", "--find-links", found, f"shiftwright=={release.version}"]

    def is_whole() -> bool:
        return record_of(home) == release.record

    steps.append(Run((release.python, "-m", "venv", "--clear", here), root, is_whole))
    steps.append(Run((f"{here}/bin/python", "-m", "pip", "install", "--quiet", *source), root, is_whole))
    steps += [Write(root / place, _ours(name)) for name, place in PLACES.items()]
    of_site = _of_site(root, site_text, site)
    is_owned = (root / STATE).exists() and all(step.is_done() for step in of_site)
    steps += of_site
    steps.append(Run(("systemd-sysusers",), root, (root / STATE).exists))
    # It gives the site file to the daemon's group as well, each time that there is a new one.
    words = ("systemd-tmpfiles", "--create", f"/{PLACES['shiftwright.tmpfiles']}")
    steps.append(Run(words, root, lambda: is_owned))
    link = Link(root / HOME / "venv", release.name)
    if (root / STATE / LEDGER).exists() and link.path.exists():
        user = ("setpriv", "--reuid=shiftwright", "--regid=shiftwright", "--clear-groups")
        back_up = (f"/{HOME}/venv/bin/shiftwright", "backup", "--db", f"/{STATE}")
        steps.append(Run((*user, *back_up), root, link.is_done))
    steps.append(link)
    steps.append(Link(root / _COMMAND, f"/{HOME}/venv/bin/shiftwright"))
    return steps


def _of_site(root: Path, site_text: str | None, site: Site | None) -> list[Step]:
    """Return what depends on the site: its file, its serial ports, and its name in the farm's network."""
    drop_in, mdns = root / _DROP_IN, root / _MDNS
    steps: list[Step] = []
    if site_text is not None:
        steps.append(Write(root / SITE, site_text, 0o640))
    lines = [] if site is None else _lines_of(site)
    if lines:
        head = "# What the site file asks for, by shiftwright install: run it again when that changes."
        steps.append(Write(drop_in, "\n".join((head, "[Service]", *lines)) + "\n"))
    elif drop_in.exists():
        steps.append(Remove(drop_in))
    if site is not None and site.api.host not in ("127.0.0.1", "localhost", "::1"):
        steps.append(Write(mdns, _ours("shiftwright.avahi").replace("<port>8080<", f"<port>{site.api.port}<")))
    elif mdns.exists():
        steps.append(Remove(mdns))
    return steps


def _lines_of(site: Site) -> list[str]:
    """Return what the unit's hardening must leave open for this site: its serial ports, and a disk for backups."""
    lines: list[str] = []
    ports = [bus.line for bus in site.bus.values() if isinstance(bus, RtuBus)]
    if ports:
        lines += ["PrivateDevices=no", "DevicePolicy=closed", *(f"DeviceAllow={port} rw" for port in ports)]
    if any("by-id" in port or "ttyUSB" in port or "ttyACM" in port for port in ports):
        # An adapter that was pulled out comes back under another number.
        lines += ["DeviceAllow=char-ttyUSB rw", "DeviceAllow=char-ttyACM rw"]
    if site.keeping.copy_to:
        lines.append(f"ReadWritePaths=-{site.keeping.copy_to}")  # where it is not there, the daemon starts all the same
    return lines


def _afterwards(root: Path, *, has_site: bool) -> Sequence[Step]:
    """Return the commands after a change: units are enabled, and started where the computer is this one."""
    steps = [Run(("systemctl", "enable", *_UNITS), root)]
    if root == Path("/"):
        steps.append(Run(("udevadm", "control", "--reload")))
        steps.append(Run(("udevadm", "trigger", "--subsystem-match=tty")))
        steps.append(Run(("systemctl", "daemon-reload")))
        if has_site:
            steps.append(Run(("systemctl", "restart", *_UNITS)))
    return steps


def _perform(steps: Sequence[Step], *, dry_run: bool) -> bool:
    """Do what is not done yet, or only say it; return whether anything was to do."""
    changed = False
    for step in steps:
        is_done = step.is_done()
        if dry_run:
            print(f"{'(as it is) ' if is_done else ''}{step}")
        elif not is_done:
            print(step, flush=True)
            step.do()
        changed = changed or not is_done
    return changed


def _root(arguments: argparse.Namespace) -> Path:
    root: Path = arguments.root.absolute()
    if not root.is_dir():
        raise InputError(f"--root: got {arguments.root}; expected a folder")
    if not arguments.dry_run and os.geteuid() != 0:
        raise RefusedError(
            "This changes the computer's services: run it with sudo, or with --dry-run to see what it does."
        )
    return root


def _site_text(given: Path | None, root: Path) -> str | None:
    """Return the site file that is to be installed, or is."""
    if given is not None:
        return text_of(given)
    return text_of(root / SITE) if (root / SITE).exists() else None


def _refuse_while_running(root: Path) -> None:
    """Refuse while a procedure goes on: a stop in the middle of one leaves stock in the lines."""
    socket = (root / STATE).resolve() / SOCKET  # a socket's path has a hundred characters at most
    if not socket.exists():
        return
    try:
        with LocalClient(socket, _LOOK_S) as client:
            procedure = client.snapshot().procedure
    except NoDaemon:
        return
    except LocalSocketFault as fault:
        raise RefusedError(
            f"A daemon is there, and whether a shift is under way cannot be seen ({fault}). See to it, or stop it, and "
            "run this again."
        ) from fault
    if procedure in {state.value for state in ACTIVE}:
        raise RefusedError(f"A shift is under way ({procedure}). Wait for its end, or stop it, and run this again.")


def _ours(name: str) -> str:
    try:
        return (SHARE / name).read_text("utf-8")
    except OSError as error:
        raise InstallError(f"{SHARE / name}: {error.strerror}; this command itself is not installed whole") from error


def _older(root: Path, release: Release) -> list[Path]:
    """Return the releases that are neither in use nor the newest of the others, which is the way back."""
    made = [one.parent for one in (root / HOME).glob("*/pyvenv.cfg") if not one.parent.is_symlink()]
    others = sorted((one for one in made if one.name != release.name), key=lambda one: one.stat().st_mtime)
    return others[:-1]
