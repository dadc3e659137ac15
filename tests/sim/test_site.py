"""The simulator's own reader of site and profile files."""

from pathlib import Path

import pytest

from sim.site import Site, SiteFileError, read_profile, read_site
from tests.sim.conftest import PROFILES, SITE


def test_volumes_are_those_of_the_pipes(site: Site) -> None:
    """Guards the geometry: a 100 m lateral of 13.6 mm holds 14.53 L (domain sheet, computed with wntr)."""
    block = site.block["creek"]
    assert block.lateral_l == pytest.approx(14.53, abs=0.005)
    assert block.nominal_l_s * 3.6 == pytest.approx(106 * 200 * 1.6 / 1000.0)


@pytest.mark.parametrize("profile", sorted(PROFILES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_profile_of_the_tree_is_read(profile: Path) -> None:
    """Guards that no profile holds a key or a type that the simulator would pass over in silence."""
    points = read_profile(profile)
    assert points
    assert {point.table for point in points.values()} <= {"coil", "discrete", "input", "holding"}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('kind = "tcp"', 'kind = "udp"', "knows tcp, rtu, rtu_over_tcp"),
        ('kind = "tcp"', 'kind = "rtu"', "bus.relays.line"),
        ('kind = "fixed_speed"', 'kind = "diesel"', "pump.kind: got 'diesel'; the simulator knows fixed_speed"),
        (
            'kind = "metering_pump"',
            'kind = "bucket"',
            "injector.a.kind: got 'bucket'; the simulator knows metering_pump",
        ),
        ('order = ["meter"', 'order = ["sieve"', "main.order: got 'sieve'"),
        ('run = "relays.out1"', 'run = "relays.out99"', "relays.out99"),
        ('tank = "a"', 'tank = "z"', "'z' is not a tank"),
        ("travel_s = 8.0", "", "travel_s"),
        ("[site]", "[site", "cannot be read"),
    ],
)
def test_what_cannot_be_simulated_is_refused_by_name(tmp_path: Path, old: str, new: str, says: str) -> None:
    """Guards that a broken file is refused with the place in the text, never simulated half."""
    text = SITE.read_text(encoding="utf-8")
    assert old in text
    broken = tmp_path / "site.toml"
    broken.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(SiteFileError, match=says):
        read_site(broken, PROFILES)
