"""What an installation is made of: files, links, folders and commands, each of which can be told before it is done."""

import os
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

_MOST_S = 1800.0


class InstallError(Exception):
    """It cannot be installed, or not be taken away. Says at what, and what to do; what was done before stands."""

    code = "install"


class Step(Protocol):
    """One thing to do."""

    def is_done(self) -> bool:
        """Return whether it is as it should be already. Of a command nobody can tell: it is run."""
        ...

    def do(self) -> None:
        """Do it. Raises InstallError."""
        ...


@dataclass(frozen=True, slots=True)
class Write:
    """A file of ours, moved to its place whole."""

    path: Path
    text: str
    mode: int = 0o644

    def __str__(self) -> str:
        return f"write {self.path} ({self.mode:04o}, {len(self.text.encode())} bytes)"

    def is_done(self) -> bool:
        """Return whether the file is the same."""
        try:
            return self.path.read_text("utf-8") == self.text
        except (OSError, UnicodeDecodeError):
            return False

    def do(self) -> None:
        """Write it beside its place, and move it there."""
        part = self.path.with_name(f".{self.path.name}.part")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            part.write_text(self.text, "utf-8")
            part.chmod(self.mode)
            part.rename(self.path)
        except OSError as error:
            raise InstallError(f"{self.path}: could not be written ({error}); see to it and install again") from error


@dataclass(frozen=True, slots=True)
class Copy:
    """A folder of files of somebody else's, beside what is there."""

    source: Path
    path: Path

    def __str__(self) -> str:
        return f"copy {self.source} to {self.path}"

    def is_done(self) -> bool:
        """Return whether every file is there, as long as the other."""
        return all(
            (self.path / one.name).is_file() and (self.path / one.name).stat().st_size == one.stat().st_size
            for one in self.source.iterdir()
        )

    def do(self) -> None:
        """Copy the files."""
        try:
            shutil.copytree(self.source, self.path, dirs_exist_ok=True)
        except OSError as error:
            raise InstallError(f"{self.path}: could not be copied ({error}); make room and install again") from error


@dataclass(frozen=True, slots=True)
class Link:
    """A link, turned from one place to another in one go."""

    path: Path
    target: str

    def __str__(self) -> str:
        return f"link {self.path} to {self.target}"

    def is_done(self) -> bool:
        """Return whether it points there."""
        return self.path.is_symlink() and os.readlink(self.path) == self.target

    def do(self) -> None:
        """Make it beside its place, and move it there."""
        part = self.path.with_name(f".{self.path.name}.part")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            part.unlink(missing_ok=True)
            part.symlink_to(self.target)
            part.rename(self.path)
        except OSError as error:
            raise InstallError(f"{self.path}: could not be linked ({error}); see to it and install again") from error


@dataclass(frozen=True, slots=True)
class Remove:
    """A file, a link or a whole folder that is to go."""

    path: Path

    def __str__(self) -> str:
        return f"remove {self.path}"

    def is_done(self) -> bool:
        """Return whether it is gone."""
        return not os.path.lexists(self.path)

    def do(self) -> None:
        """Remove it."""
        try:
            if self.path.is_dir() and not self.path.is_symlink():
                shutil.rmtree(self.path)
            else:
                self.path.unlink()
        except OSError as error:
            raise InstallError(f"{self.path}: could not be removed ({error})") from error


@dataclass(frozen=True, slots=True)
class Run:
    """A command, run to its end; its words go to people only where it fails."""

    words: tuple[str, ...]
    root: Path = Path("/")
    """Where it is run: another root is that of an image, and is changed to."""
    unless: Callable[[], bool] = bool
    """Whether there is nothing for it to do."""

    def __str__(self) -> str:
        return f"run {' '.join(self._words())}"

    def _words(self) -> tuple[str, ...]:
        return self.words if self.root == Path("/") else ("chroot", str(self.root), *self.words)

    def is_done(self) -> bool:
        """Return whether there is nothing for it to do."""
        return self.unless()

    def do(self) -> None:
        """Run it."""
        words = self._words()
        try:
            done = subprocess.run(
                words, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=_MOST_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise InstallError(f"{' '.join(words)}: {error}; see to it and install again") from error
        if done.returncode != 0:
            told = (done.stderr or done.stdout).strip()[-1500:]
            raise InstallError(f"{' '.join(words)}: ended with {done.returncode}: {told}; see to it and install again")
