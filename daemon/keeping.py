"""How the record is kept, as the site file has it: backups by the daemon itself, and readings for so long."""

from typing import Annotated

from pydantic import Field

from daemon.equipment import Part


class Keeping(Part):
    """Backups once a day, while nothing runs, each read through before it counts; and how long readings are kept."""

    backups: Annotated[int, Field(ge=0, le=400)] = 14
    """So many are kept beside the record, and where they are copied to; 0: none are made."""
    hour: Annotated[int, Field(ge=0, le=23)] = 13
    """Of the day, by the site's zone: after the night, and before the next."""
    readings_days: Annotated[int, Field(ge=7, le=10_000)] = 400
    """Days for which readings are kept as they came; then a minute's least, mean and highest."""
    minutes_days: Annotated[int, Field(ge=7, le=10_000)] = 800
    """Days for which those of a minute are kept; then those of a quarter of an hour, and wider ones, which stay."""
    readings_mb: Annotated[int, Field(ge=50, le=100_000)] = 500
    """That readings may take on the disk; over it the oldest of the finest go first."""
    copy_to: Annotated[str, Field(max_length=200, pattern=r"^(/[^\x00]*)?$")] = ""
    """A folder of another disk, from its root; empty: the record's own disk alone has them."""
