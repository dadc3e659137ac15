"""`import` beside a running daemon and without one: one record, and the daemon goes by it at once."""

from pathlib import Path

from daemon.folder import LEDGER
from daemon.ledger.reports import latest_decisions, verify_file
from tests.night.sites import write_scenario
from tests.process.processes import SPEED, TINY_NIGHT, TINY_PIPES, running, shiftwright

_ROLL = '[shift.roll]\nblocks = ["creek"]\n[program.roll]\nshift = "roll"\nwater_m3 = 1.0\norder = "together"\n'


async def test_one_record_with_a_daemon_and_without(tmp_path: Path) -> None:
    """The daemon records what it is given and starts the new program; when it is gone the record takes more."""
    site, decisions = write_scenario(tmp_path, TINY_PIPES, TINY_NIGHT)
    folder, water, roll = tmp_path / "db", tmp_path / "water.csv", tmp_path / "roll.toml"
    water.write_text((await shiftwright("import", "water", "--template")).out, "utf-8")
    roll.write_text(_ROLL, "utf-8")
    async with running(site, folder, "--all", "--speed", SPEED, "--decisions", decisions) as daemon:
        await daemon.until(lambda snapshot: True)
        said = await shiftwright("import", "decisions", roll, site, "--db", folder)
        assert said.code == 0 and said.out.endswith("Recorded shift roll as version 1, program roll as version 1.\n"), (
            said
        )
        said = await shiftwright("start", "roll", "--db", folder)
        assert said.code == 0, said
        roll.write_text(_ROLL.replace('["creek"]', '["crook"]').replace("1.0", "2.0"), "utf-8")
        said = await shiftwright("import", "decisions", roll, site, "--db", folder)
        assert said.code == 2 and "shift.roll.blocks: got 'crook'" in said.err
        assert await daemon.terminate() == 0
    said = await shiftwright("import", "water", water, site, "--db", folder)
    assert said.code == 0 and said.out.endswith("Recorded water creek_water as version 1.\n"), said
    versions = {(one.kind, one.key): one.version for one in latest_decisions(folder / LEDGER)}
    assert versions["program", "roll"] == versions["water", "creek_water"] == 1
    assert verify_file(folder / LEDGER).broken_seq is None
