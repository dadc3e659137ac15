"""Every figure beside its baseline, measured now: `python -m tests.bench [--json FILE] [--readme]`; some minutes.

What takes hours was measured by runs of its own and is recorded in tests/recorded: it is told after the table.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from tests.bench.figures import ASKED, kept, table
from tests.figures import recorded

_HERE = Path(__file__).parent
_README = _HERE.parents[1] / "README.md"
_BEGIN, _END = "<!-- figures: python -m tests.bench --readme -->", "<!-- end of figures -->"


def main() -> int:
    """Run the benches and tell what they reached; fail where one of them failed."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures, those of long runs among them")
    parser.add_argument("--readme", action="store_true", help="put the table into README.md")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "figures.jsonl"
        words = [sys.executable, "-m", "pytest", "-n", "0", "-m", "bench", "-s", str(_HERE)]
        code = subprocess.run(words, env={**os.environ, ASKED: str(file)}, check=False).returncode
        figures = kept(file)
    print(f"\n{table(figures)}\n\nRecorded by longer runs:")
    for name, row in recorded().items():
        print(f"- {name}: {row['claim']}: {row['reached']} (aim: {row['aim']})")
    if arguments.json is not None:
        told = {
            "measured": [{**asdict(figure), "ratio": figure.ratio} for figure in figures],
            "recorded": {name: dict(row) for name, row in recorded().items()},
        }
        arguments.json.write_text(json.dumps(told, indent=1) + "\n", "utf-8")
    if arguments.readme and not code:
        text = _README.read_text("utf-8")
        head, rest = text.split(_BEGIN, 1)
        _README.write_text(f"{head}{_BEGIN}\n{table(figures)}\n{_END}{rest.split(_END, 1)[1]}", "utf-8")
    return code


if __name__ == "__main__":
    sys.exit(main())
