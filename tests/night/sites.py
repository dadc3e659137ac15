"""Kestrel Bend, and a part of it with shorter pipes, for nights that do not take all night."""

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from daemon.cli.night import on_free_ports

KESTREL_BEND = Path(__file__).parents[2] / "daemon" / "cli" / "kestrel_bend"
CREEK = Path(__file__).parents[1] / "creek"
"""One block and one channel: the smallest plant that does the whole job."""
TWO_BUSES = Path(__file__).parents[1] / "two_buses.toml"
"""The creek plant wired to two modules on two buses."""
PROGRAM = "creek_night"
BLOCK = "creek"
START = datetime(2026, 10, 13, 11, 30, tzinfo=UTC)

SHORT_PIPES = {
    "pipes = [{ length_m = 420.0": "pipes = [{ length_m = 40.0",
    "submain = { length_m = 150.0": "submain = { length_m = 30.0",
    "lateral = { length_m = 100.0": "lateral = { length_m = 10.0",
    "min_off_s = 300.0": "min_off_s = 5.0",
    "settle_s = 20.0": "settle_s = 10.0",
    "pause_max_s = 300.0": "pause_max_s = 60.0",
}
"""About 20 minutes of water: 0.3 m3 of pipes and a transit of 1.9 m3."""
SHORT_NIGHT = {
    "dose_kg_ha = 3.0": "dose_kg_ha = 0.3",
    "water_m3 = 84.0": "water_m3 = 9.5",
    "inject_m3 = 42.0": "inject_m3 = 4.5",
}


def cut(decisions: str, share: float) -> str:
    """Return the text of Kestrel Bend's decisions with all water, needs, other sources and caps times `share`."""
    amount = r"\b(water_m3|inject_m3|kg_ha|N|P|K) = ([\d.]+)"
    return re.sub(amount, lambda found: f"{found[1]} = {float(found[2]) * share:.6g}", decisions)


def edited(text: str, changes: Mapping[str, str]) -> str:
    """Return `text` with each of the old pieces, which must be there once, replaced by the new one."""
    for old, new in changes.items():
        if text.count(old) != 1:
            raise ValueError(f"got {text.count(old)} of {old!r}; expected one")
        text = text.replace(old, new)
    return text


def write_scenario(
    folder: Path, site: Mapping[str, str] = SHORT_PIPES, decisions: Mapping[str, str] = SHORT_NIGHT
) -> tuple[Path, Path]:
    """Write site.toml, on free ports, and decisions.toml to `folder`: the creek plant with these changes."""
    folder.mkdir(parents=True, exist_ok=True)
    site_file, decisions_file = folder / "site.toml", folder / "decisions.toml"
    site_file.write_text(on_free_ports(edited((CREEK / "site.toml").read_text("utf-8"), site)), "utf-8")
    decisions_file.write_text(edited((CREEK / "decisions.toml").read_text("utf-8"), decisions), "utf-8")
    return site_file, decisions_file
