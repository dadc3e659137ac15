"""How the record is kept: backups by the daemon itself, as the site file has it."""

from typing import Annotated

from pydantic import Field

from daemon.equipment import Part


class Keeping(Part):
    """Backups once a day, while nothing runs. Each is read through before it counts."""

    backups: Annotated[int, Field(ge=0, le=400)] = 14
    """So many are kept beside the record, and where they are copied to; 0: none are made."""
    hour: Annotated[int, Field(ge=0, le=23)] = 13
    """Of the day, by the site's zone: after the night, and before the next."""
    copy_to: Annotated[str, Field(max_length=200, pattern=r"^(/[^\x00]*)?$")] = ""
    """A folder of another disk, from its root; empty: the record's own disk alone has them."""
