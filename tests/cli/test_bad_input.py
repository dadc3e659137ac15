"""What is given wrong is told before anything starts: what was got, what was expected, exit code 2."""

from collections.abc import Mapping
from pathlib import Path

import pytest

import daemon.cli
from daemon.cli.main import main
from tests.night.sites import edited

CREEK = Path(__file__).parents[1] / "creek"
"""One block and one channel."""
KESTREL_BEND = Path(daemon.cli.__file__).parent / "kestrel_bend"
"""Six blocks in three shifts, two channels."""

_WRONG = {
    'zone = "Australia/Adelaide"': 'zone = "Mars"',
    "travel_s = 8.0": "travle_s = 8.0",
    "min_flow_m3_h = 15.0": 'min_flow_m3_h = "much"',
}


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A right site file."""
    file = tmp_path / "site.toml"
    file.write_text((CREEK / "site.toml").read_text("utf-8"), "utf-8")
    return file


def _refused(capsys: pytest.CaptureFixture[str], *words: object, code: int = 2) -> str:
    """Run a command that must be refused, and return what it said."""
    try:
        got = main([str(word) for word in words])
    except SystemExit as left:  # argparse's own
        got = int(left.code or 0)
    assert got == code
    return capsys.readouterr().err


def test_every_error_of_a_site_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One reading of the file names all that is wrong in it, and nothing is made for a daemon that cannot run."""
    file = tmp_path / "site.toml"
    file.write_text(edited((CREEK / "site.toml").read_text("utf-8"), _WRONG), "utf-8")
    said = _refused(capsys, "run", file, "--db", tmp_path / "db")
    for key in ("site.zone", "block.creek.travle_s", "block.creek.travel_s", "main.min_flow_m3_h"):
        assert f"{key}: got " in said
    assert "Nearest known: travel_s" in said
    assert not (tmp_path / "db").exists()
    assert _refused(capsys, "check", file) == said


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (None, "no such file. A site to start from: shiftwright demo --copy DIR"),
        (b"\xff\xfe\x00", "expected a TOML file in UTF-8"),
        (b"[site", "expected TOML"),
        (b"", "got nothing"),
    ],
    ids=["missing", "binary", "torn", "empty"],
)
def test_a_file_that_is_no_site(
    content: bytes | None, expected: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Missing, unreadable, torn or empty: each has its own word."""
    file = tmp_path / "site.toml"
    if content is not None:
        file.write_bytes(content)
    assert expected in _refused(capsys, "check", file)


def test_a_folder_is_no_site(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be opened is told with the system's own reason."""
    assert "cannot be read" in _refused(capsys, "check", tmp_path)


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (None, "cannot be read"),
        ("[program", "cannot be read"),
        ("program = 1", "program"),
        ("[program.x]\ndose = 1", "program.x.shift: got nothing"),
        ("[pogrom.x]\ndose = 1", "expected one of"),
    ],
    ids=["missing", "torn", "no table", "wrong keys", "unknown kind"],
)
def test_decisions_that_cannot_be_taken(
    content: str | None, expected: str, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """They are read before anything starts: no simulator, no ledger."""
    file = tmp_path / "decisions.toml"
    if content is not None:
        file.write_text(content)
    said = _refused(capsys, "run", site, "--db", tmp_path / "db", "--all", "--decisions", file)
    assert expected in said
    assert not (tmp_path / "db").exists()


def _checked(
    folder: Path, capsys: pytest.CaptureFixture[str], site: Mapping[str, str], decisions: Mapping[str, str]
) -> list[str]:
    """Return what `check` says is wrong with Kestrel Bend and its decisions, changed like this, by line."""
    files = []
    for name, changes in (("site.toml", site), ("decisions.toml", decisions)):
        files.append(folder / name)
        files[-1].write_text(edited((KESTREL_BEND / name).read_text("utf-8"), changes), "utf-8")
    said = _refused(capsys, "check", files[0], "--decisions", files[1])
    return [line for line in said.splitlines() if not line.endswith((" error", " errors"))]


def test_what_is_shipped_is_right(capsys: pytest.CaptureFixture[str]) -> None:
    """Both sites with their decisions pass, and what was read is counted."""
    for folder in (CREEK, KESTREL_BEND):
        assert main(["check", str(folder / "site.toml"), "--decisions", str(folder / "decisions.toml")]) == 0
    said = capsys.readouterr().out
    assert "6 block(s), 2 injection channel(s), 1 device(s) on 1 bus(es). No errors." in said
    assert "3 of shift, 3 of program, 1 of water, 2 of stock, 4 of mix, 1 of bucket_test, 3 of cycle, " in said


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "[shift.low]\nblocks = [",
            '[shift.low]\nblocks = ["craek", ',
            "shift.low.blocks: got 'craek'; expected a block of the site. Nearest ",
        ),
        (
            "[shift.low]\nblocks = [",
            '[shift.low]\nblocks = ["bridge", ',
            "shift.low.blocks: got 'bridge' 2 times; expected each block once",
        ),
        (
            '[shift.grove]\nblocks = ["house", "river"]',
            '[shift.grove]\nblocks = ["house"]',
            "shift: got no shift that waters block river; expected each block of the site",
        ),
        (
            'potassium]\ntank = "b"',
            'potassium]\ntank = "c"',
            "stock.potassium.tank: got 'c'; expected a tank of the site. Known: a, b",
        ),
        (
            '"grove"',
            '"grow"',
            "program.grove_night.shift: got 'grow'; expected a shift of this file. Nearest known: grove",
        ),
        (
            '[{ stock = "pot',
            '[{ stock = "p0t',
            "program.grove_night.injections.0.stock: got 'p0tassium'; expected a stock of",
        ),
        (
            '"K", recommendation = "mandarins',
            '"P", recommendation = "mandarins',
            "program.low_night.injections.1.nutrient: got 'P'; expected a ",
        ),
        (
            "water_m3 = 148.0",
            "water_m3 = 60.0",
            "program.grove_night: got a night that fails for its shortest shift; expected one",
        ),
        (
            "# What",
            '[block.hil]\nwhy = "x"\n#',
            "block.hil: got 'hil'; expected a block of the site. Nearest known: hill",
        ),
        ("# What", "[block.hill]\nwhy = ''\n#", "block.hill.why: got ''; expected "),
        (
            "# What",
            '[blocks.hill]\nwhy = "x"\n#',
            "blocks: got a kind nobody knows; expected a kind of decision. Nearest",
        ),
        ("# What", "block = 3\n#", "block: got 3; expected sections [block.NAME]"),
        (
            "[cap.nitrogen_2026]",
            '[cap."nitrogen 2026"]',
            "cap.nitrogen 2026: got 'nitrogen 2026'; expected a name of",
        ),
        ("[shift.low]", "[shift", "decisions file: got text that is not TOML; expected TOML 1.0. Expected"),
        (
            "[shift.high]",
            "[shift.high]\nb = 1",
            "shift.high.b: got a key nobody knows; expected a key of this section.",
        ),
    ],
)
def test_decisions_that_do_not_fit_the_site(
    old: str, new: str, expected: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each names where, what was got and what was expected, and no other error follows from it."""
    (said,) = _checked(tmp_path, capsys, {}, {old: new})
    assert said.startswith(expected)


def test_an_area_in_use_is_at_most_the_blocks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A block of 3 ha cannot be in use with more."""
    more = {"# What": '[block.hill]\nwhy = "x"\narea_ha = 3.1\n#'}
    assert _checked(tmp_path, capsys, {}, more) == ["block.hill.area_ha: got 3.1; expected at most the block's 3 ha"]


def test_a_closed_block_is_no_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is closed for now opens again: its programs are checked with it."""
    (tmp_path / "decisions.toml").write_text(
        (KESTREL_BEND / "decisions.toml").read_text("utf-8")
        + '[block.house]\nwhy = "x"\nclosed_until = 2990-01-01\n[block.river]\nwhy = "x"\nclosed_until = 2990-01-01\n'
    )
    assert main(["check", str(KESTREL_BEND / "site.toml"), "--decisions", str(tmp_path / "decisions.toml")]) == 0
    assert "2 of block" in capsys.readouterr().out


def test_a_shift_that_the_pump_cannot_feed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is said once, at the shift, and not again at its programs."""
    weak = {"capacity_m3_h = 85.0": "capacity_m3_h = 70.0"}
    (said,) = _checked(tmp_path, capsys, weak, {})
    assert said == (
        "shift.low.blocks: got blocks that take 70.1 m3/h together; expected at most pump.capacity_m3_h = 70"
    )


def test_two_stocks_in_one_tank(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Stocks may take turns in a tank, and no program draws two from one; what nothing draws from holds none."""
    said = _checked(tmp_path, capsys, {}, {'potassium]\ntank = "b"': 'potassium]\ntank = "a"'})
    twice = (
        "got a night that fails for its injector; expected one that can run. The program injects twice with injector"
    )
    assert said == [
        "mix.b_13_oct.tank: got 'b'; expected 'a', the tank of stock potassium",
        f"program.low_night: {twice} a",
        f"program.high_night: {twice} a",
    ]
    spare = "[tank.spare]\nvolume_l = 500.0\nlow_l = 10.0\n"
    spare += 'content = { point = "station.ai8", at_low = 0.0, at_high = 600.0, accuracy_pct_of_span = 0.5 }\n#'
    changes = {'potassium]\ntank = "b"': 'potassium]\ntank = "spare"'}
    said = _checked(tmp_path, capsys, {"# Mandarins": spare, "far_ec = {": "# far_ec = {"}, changes)
    assert said == [
        "stock.potassium.tank: got 'spare'; expected a tank that an injector draws from",
        "mix.b_13_oct.tank: got 'b'; expected 'spare', the tank of stock potassium",
    ]


def test_a_program_says_every_check_that_it_fails(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An injector that cannot make the ratio, too little water, too small a tank: all of it, for each program."""
    changes = {
        '"N", recommendation = "mandarins_2026"': '"N", dose_kg_ha = 0.1',
        "water_m3 = 174.0": "water_m3 = 91.0",
        '"N", recommendation = "young_mandarins_2026"': '"N", dose_kg_ha = 17.0',
        'kg_ha = 8.0\nover = "day"': 'kg_ha = 80.0\nover = "day"',
    }
    said = _checked(tmp_path, capsys, {}, changes)
    assert [line.partition("; expected one that can run. ")[0] for line in said] == [
        "program.low_night: got a night that fails for its shortest shift",
        "program.low_night: got a night that fails for its injector range",
        "program.high_night: got a night that fails for its shortest shift",
        "program.high_night: got a night that fails for its tank size",
        "program.high_night: got a night that fails for its injector range",
    ]
    assert "expected one that can run. This program needs at least 146.0 m3 of water (125 min)" in said[0]
    assert "L/h of stock must lie within injector a's calibrated 50 to 500 L/h. It can inject this dose over" in said[1]


@pytest.mark.parametrize(("band_pct", "shifts"), [(23.9, []), (24.05, ["grove"]), (24.3, ["low", "high", "grove"])])
def test_a_valve_that_fails_shut_must_show_in_the_flow(
    band_pct: float, shifts: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rule 9: the smallest shares are 48.4 % (creek), 48.2 % (ridge) and 48.0 % (house); the band is at most half."""
    band = {"flow_band_pct = 20.0": f"flow_band_pct = {band_pct}"}
    if not shifts:
        (tmp_path / "site.toml").write_text(edited((KESTREL_BEND / "site.toml").read_text("utf-8"), band))
        assert main(["check", str(tmp_path / "site.toml"), "--decisions", str(KESTREL_BEND / "decisions.toml")]) == 0
        return
    said = _checked(tmp_path, capsys, band, {})
    assert [line.split(".")[1] for line in said] == shifts
    assert said[-1].startswith(
        f"shift.grove.blocks: got 48.0 % of the flow for block house; expected at least {2 * band_pct:g} %"
    )


def test_one_block_alone_may_have_any_band(site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Rule 9 is about the others of a shift: where there are none, no flow at all says it."""
    site.write_text(edited(site.read_text("utf-8"), {"flow_band_pct = 20.0": "flow_band_pct = 50.0"}))
    assert main(["check", str(site), "--decisions", str(CREEK / "decisions.toml")]) == 0


def test_both_files_errors_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A wrong site hides nothing in the decisions that can be told without it, and its wrong parts keep their names."""
    site = {"zone = ": "zoen = ", "area_ha = 3.0": "area_ha = 0.0"}
    decisions = {
        'grove]\nblocks = ["house", "river"]': 'grove]\nblocks = ["house", "rover"]',
        'order = "in_turn"': 'oder = "in_turn"',
    }
    assert [line.partition(":")[0] for line in _checked(tmp_path, capsys, site, decisions)] == [
        "site.zone",
        "site.zoen",
        "block.hill.area_ha",
        "program.high_night.order",
        "program.high_night.oder",
        "shift.grove.blocks",
        "shift",
    ]


@pytest.mark.parametrize("speed", ["0", "-3", "nan", "fast"])
def test_a_speed_that_is_none(speed: str, site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Time that stands still or runs backwards is refused."""
    assert "--speed" in _refused(capsys, "run", site, "--db", tmp_path / "db", f"--speed={speed}")
    assert not (tmp_path / "db").exists()


@pytest.mark.parametrize(
    ("fault", "expected"),
    [("airlock@late", "expected NAME@MINUTE"), ("airlok@5", "known are airlock"), ("airlock@-5", "expected a number")],
)
def test_a_fault_that_is_none(fault: str, expected: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The known faults are named."""
    said = _refused(capsys, "demo", "--fault", fault, "--db", tmp_path / "db")
    assert "--fault" in said and expected in said


def test_figures_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Told before the night, not after it."""
    assert "--json" in _refused(capsys, "demo", "--json", tmp_path / "nowhere" / "night.json")


def test_a_copy_that_cannot_be_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file stands where the folder should."""
    (tmp_path / "mine").write_text("mine")
    assert "--copy" in _refused(capsys, "demo", "--copy", tmp_path / "mine")


def test_no_daemon(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 3, and how to start one."""
    for words in (("status",), ("start", "x"), ("hold",), ("stop", "everything"), ("reset",)):
        said = _refused(capsys, *words, "--db", tmp_path, code=3)
        assert "no daemon listens" in said and "systemctl start" in said
