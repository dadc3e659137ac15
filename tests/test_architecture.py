"""What keeps the tree in order: the floors, the top level, the names of the packages."""

import importlib.metadata
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("daemon", "api", "drivers", "sim")
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "tests", "systemd", *PACKAGES}


def test_arrows_only_go_down() -> None:
    """Guards the floors of the design: import-linter's contracts in pyproject.toml are kept."""
    lint = "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_logo=True, no_cache=True))"
    done = subprocess.run([sys.executable, "-c", lint], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr


def test_top_level_is_what_the_design_says() -> None:
    """Guards the tree: nothing lands at the top that the design does not name."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, timeout=20, check=True)
    top = {name.split("/")[0] for name in done.stdout.split("\0") if name}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.parametrize("package", PACKAGES)
def test_no_other_distribution_brings_our_packages(package: str) -> None:
    """Guards the flat names: another distribution's `daemon` would overwrite ours without a word."""
    owners = importlib.metadata.packages_distributions().get(package, [])
    assert set(owners) <= {"shiftwright"}


@pytest.mark.parametrize("package", PACKAGES)
def test_top_packages_run_nothing_on_import(package: str) -> None:
    """Guards the flat names: an empty `__init__.py` lost to a clash breaks nothing."""
    assert (ROOT / package / "__init__.py").read_bytes() == b""
