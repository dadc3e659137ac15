"""Check an export of the evidence: every row by its seal, on any computer, with Python's standard library alone.

    python3 verify.py evidence.jsonl
    python3 verify.py evidence.jsonl --head 9f2c...    # the head that was written down earlier must be in it

It shares no code with the program that wrote the file: a copy of this file is laid beside every export. A seal is the
SHA-256 of the seal before it, the row's number and kind, and the row itself, so whoever alters, removes, adds or moves
a row has to forge every seal after it. There is no secret in it: one who rewrites all of it to its end is found only by
a head that was kept elsewhere.
"""

import argparse
import hashlib
import json
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

FORMAT = "shiftwright evidence 1"
_GENESIS = "0" * 64


class Broken(Exception):  # noqa: N818 - what became of the file
    """A line is not as it was sealed. Says which, and why."""


def check(lines: Iterable[str], kept_head: str = "") -> tuple[int, str]:
    """Return how many rows there are and the head of their chain. Raises Broken at the first line that is wrong."""
    head, count, is_met, ending = _GENESIS, 0, not kept_head, None
    for number, text in enumerate(lines, 1):
        line = _parsed(number, text)
        if number == 1:
            if line.get("format") != FORMAT:
                raise Broken(f"line 1: got {line.get('format')!r}; expected {FORMAT!r}")
            continue
        if ending is not None:
            raise Broken(f"line {number}: got more after the end of the export")
        if "head" in line:
            ending = line
            continue
        head, count = _next_seal(number, line, head, count + 1), count + 1
        is_met = is_met or head == kept_head
    if ending is None:
        raise Broken(f"got {count} rows and no end; expected a last line with the head: the file was cut short")
    if (ending.get("rows"), ending.get("head")) != (count, head):
        raise Broken(
            f"got {count} rows to head {head}; the last line says {ending.get('rows')} to {ending.get('head')}"
        )
    if not is_met:
        raise Broken(f"the head {kept_head} is nowhere in it: this is another record, or one that was written anew")
    return count, head


def _parsed(number: int, text: str) -> dict[str, Any]:
    try:
        line = json.loads(text)
    except ValueError as error:
        raise Broken(f"line {number}: got what is no JSON ({error})") from None
    if not isinstance(line, dict):
        raise Broken(f"line {number}: got {type(line).__name__}; expected an object")
    return line


def _next_seal(number: int, line: dict[str, Any], previous: str, seq: int) -> str:
    if set(line) != {"seq", "kind", "row", "digest"} or not isinstance(line["row"], dict):
        raise Broken(f"line {number}: got {', '.join(sorted(line))}; expected seq, kind, row and digest")
    if line["seq"] != seq:
        raise Broken(f"line {number}: got row {line['seq']}; expected {seq}: a row is missing, or stands twice")
    place = {"kind": line["kind"], "previous": previous, "seq": seq}
    digest = hashlib.sha256(_canonical(place) + b"\n" + _canonical(line["row"])).hexdigest()
    if digest != line["digest"]:
        raise Broken(f"line {number}: row {seq} of {line['kind']} does not match its seal: it was altered")
    return digest


def _canonical(row: dict[str, Any]) -> bytes:
    """Return the one spelling that is sealed: sorted keys, no spaces, UTF-8."""
    return json.dumps(row, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode("utf-8", "surrogatepass")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the file, and the head that must be in it."""
    parser.add_argument("file", type=Path, help="an export of the evidence")
    parser.add_argument("--head", default="", metavar="HEX", help="a head that was written down earlier")


def main(arguments: argparse.Namespace) -> int:
    """Check the file and say what it came to. Returns 1 where it is not as it was sealed, 2 where it cannot be read."""
    try:
        with arguments.file.open(encoding="utf-8") as file:
            count, head = check(file, arguments.head.strip().lower())
    except Broken as broken:
        sys.stdout.write(f"BROKEN. {arguments.file}: {broken}\n")
        return 1
    except (OSError, UnicodeDecodeError) as error:
        sys.stderr.write(f"{arguments.file}: cannot be read ({error}); expected an export in UTF-8\n")
        return 2
    sys.stdout.write(f"The chain holds: {count} rows. Head {head}\nCompare it with one that was kept elsewhere.\n")
    return 0


def _parse(words: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Check an export of the evidence.")
    add_arguments(parser)
    return parser.parse_args(words)


if __name__ == "__main__":
    sys.exit(main(_parse(sys.argv[1:])))
