"""When a set value is written: until its device shows it, to what the point behind the register can tell apart."""

from pathlib import Path

import pytest

from daemon.control.image import ChannelOutput, Outputs
from daemon.runtime.field import Field
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from drivers.reading import Quality, Reading

_EVERY_KIND = Path(__file__).parents[2] / "every_kind.toml"
_OUTPUTS = Outputs(pump=True, pump_speed=0.5, channels={"a": ChannelOutput(valve=True, run=True, drive=0.22)})


@pytest.mark.parametrize(
    ("point", "shown", "is_due"),
    [
        ("outputs.ao1", 0.22, False),
        ("outputs.ao1", 0.2201, False),  # what a converter of 12 bits makes of it
        ("outputs.ao1", 0.2178, True),  # a hundredth of the rate: the pacing's own dead band
        ("drive.speed_fraction", 0.5, False),
        ("drive.speed_fraction", 0.5001, True),
        ("drive.run", 1.0, False),
        ("drive.run", 0.0, True),
    ],
)
def test_written_until_it_is_shown(point: str, shown: float, is_due: bool) -> None:
    """Guards small changes: a float register's scale (percent) is no step that anything may hide in."""
    plant = parse_site(_EVERY_KIND.read_text("utf-8"), load_profiles())
    field = Field(plant, load_profiles(), lambda: 0.0)
    (write,) = (write for write in field._encode(_OUTPUTS) if [held.name for held in write.block.points] == [point])
    field._readings = {str(write.block.points[0].read_back): Reading(shown, Quality.GOOD, 0.0)}
    assert field._shows(write) is not is_due
