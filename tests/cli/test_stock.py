"""`shiftwright stock`: what it tells, what it records, and what it refuses."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.cli.main import main
from daemon.cli.plant import read_plant
from daemon.decisions.tanks import BucketTest, JarTest, Mix
from daemon.evidence import Checkpoint, RunEnded
from daemon.folder import LEDGER
from daemon.ledger.drawings import drawn_l
from daemon.ledger.in_force import read_in_force
from daemon.ledger.reports import run_report, verify_file
from daemon.runtime.recording import record_offline
from tests.daemon.ledger.samples import opened
from tests.daemon.runtime.farm import START, StillClock, creek, fill, keep_rows, keep_run, run_rows
from tests.night.sites import CREEK, write_scenario

_FILLED = START - timedelta(hours=10)
_SITE = object()
"""Stands for the farm's site file and its folder among the words of a command."""
_TOP_UP = ("mix", _SITE, "--tank", "a", "--stock", "calcium", "--heel-l", 400, "--filled-to-l", 800)
_LATER = ("--at", "2026-10-14T08:00")


@dataclass(frozen=True, slots=True)
class Said:
    """What a command printed."""

    code: int
    out: str
    err: str

    @property
    def figures(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def stock(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Callable[..., Said]:
    """Run a stock command."""

    def run(*words: object) -> Said:
        capsys.readouterr()
        site = (tmp_path / "site.toml", "--db", tmp_path)
        given = [str(each) for word in words for each in (site if word is _SITE else (word,))]
        try:
            code = main(["stock", *given])
        except SystemExit as left:  # argparse's own
            code = int(left.code or 0)
        return Said(code, *capsys.readouterr())

    return run


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    """The creek plant's folder: its tank filled in the morning, 40 L of it drawn by a night that has ended."""
    site, _ = write_scenario(tmp_path, {}, {})
    with opened(tmp_path / LEDGER):
        pass
    decisions = [*creek(), fill("a_2", 160.0, _FILLED)]
    record_offline(read_plant(site), tmp_path, decisions, "Mina", command="c1", clock=StillClock())
    with opened(tmp_path / LEDGER) as ledger:
        keep_run(ledger, "night", START)
    return tmp_path


def _mixes(farm: Path) -> dict[str, Mix]:
    found = read_in_force(farm / LEDGER).decisions
    return {key: mix for (_, key), mix in found.items() if isinstance(mix, Mix)}


def test_a_check_tells_what_to_do_in_words_and_figures(stock: Callable[..., Said]) -> None:
    """The verdict comes first with its reason and its mend, the steps last; 96 kg in 800 L are 120 g/L."""
    parts = ("--kg", "potassium_nitrate=96", "magnesium_sulphate_heptahydrate=40", "--litres", 800)
    said = stock("check", *parts, "--coldest-c", 8)
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[0] == "WITH CARE, down to 8 °C"
    assert "potassium sulphate" in said.out and "mend: " in said.out
    assert "1. fill the tank half" in said.out and lines[-2].startswith("4. fill up to the mark")
    figures = stock("check", *parts, "--coldest-c", 8, "--json").figures
    assert figures["verdict"] == "with care"
    assert figures["products_g_l"] == pytest.approx(
        {"potassium_nitrate": 120.0, "magnesium_sulphate_heptahydrate": 50.0}
    )
    assert figures["nutrients_g_l"]["N"] == pytest.approx(0.1386 * 120.0, rel=0.005)
    assert figures["added_water_l"] == pytest.approx(800.0 * figures["added_water_l_per_l"])
    assert [pair["rule"] for pair in figures["pairs"]] == ["limited"]
    assert figures["salts"][0]["fraction"] == max(salt["fraction"] for salt in figures["salts"])


def test_a_check_knows_labels_waters_and_jars_of_a_file_or_a_record(stock: Callable[..., Said], farm: Path) -> None:
    """A product by its label is no built-in salt: only --decisions or --db can say what it is."""
    parts = ("check", "--g-l", "calcium_nitrate=100", "--coldest-c", 8, "--json")
    assert stock(*parts).code == 2
    by_file = stock(*parts, "--decisions", CREEK / "decisions.toml").figures
    assert by_file == stock(*parts, "--db", farm).figures
    assert by_file["nutrients_g_l"] == pytest.approx({"N": 15.5, "Ca": 18.5})
    assert by_file["ec_ms_cm_per_g_l"] == pytest.approx(1.1 * 0.96)
    acid = stock("check", "--g-l", "phosphoric_acid=50", "--coldest-c", 8)
    assert "the water decides" in acid.out


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("check", "--g-l", "pottasium_nitrate=100", "--coldest-c", 8), "did you mean potassium_nitrate"),
        (("check", "--g-l", "map=-1", "--coldest-c", 8), "expected a number of 0 or more"),
        (("check", "--kg", "map=10", "--coldest-c", 8), "expected --litres"),
        (("check", "--g-l", "map=10", "--coldest-c", 80), "expected -5 to 60"),
        (("check", "--g-l", "map=10", "--coldest-c", 8, "--source", "well"), "--source: got 'well'"),
        (("products", "--decisions", "nowhere.toml"), "nowhere.toml: cannot be read"),
        (("solve", "--target", "N=1", "--shed", "urea", "--tank", "a=10"), "the coldest that the tank gets"),
        (("solve", "--target", "N=1", "--shed", "urea", "--tank", *("a=9@8", "b=9@8", "c=9@8")), "one or two"),
        (("solve", "--target", "N=1", "--shed", "urea", "--tank", "a=9@8", "--aim", "cost"), "expected a price"),
        (("solve", "--target", "Q=1", "--shed", "urea", "--tank", "a=9@8"), "targets_kg.Q"),
        (("mix", _SITE, "--tank", "b", "--heel-l", 0, "--drained"), "--tank: got 'b'; expected one of a"),
        (("mix", _SITE, "--tank", "a", "--heel-l", 0), "got a filling that is not whole"),
        ((*_TOP_UP, "--kg", "map"), "--kg NAME=KG@LOT"),
        ((*_TOP_UP, "--at", "Tuesday"), "expected a day or a time"),
        (("correct", "a_9", _SITE, "--why", "no"), "expected one of a_1, a_2"),
        (("correct", "a_2", _SITE, "--why", "no"), "got nothing to change"),
        (("show", _SITE, "--tank", "b"), "--tank: got 'b'; expected one of a"),
        (
            ("jar", _SITE, "--g-l", "map=5", "mpa=9", "--coldest-c", 5, "--hours", 1, "--clear"),
            "did you mean mkp or map",
        ),
        (("jar", _SITE, "--g-l", "map=5", "--coldest-c", 5, "--hours", 1, "--clear"), "jar_test"),
    ],
)
def test_what_is_given_wrong_is_told(
    stock: Callable[..., Said], farm: Path, words: tuple[object, ...], reason: str
) -> None:
    """Exit code 2, what was got and what was expected, and nothing is stored."""
    head = verify_file(farm / LEDGER).head
    said = stock(*words)
    assert said.code == 2
    assert reason in said.err
    assert verify_file(farm / LEDGER).head == head


def test_products_come_with_analysis_trade_and_source(stock: Callable[..., Said]) -> None:
    """Built-in salts first, a label of the file after them; each solubility says who measured it."""
    labels = ("--decisions", CREEK / "decisions.toml")
    said = stock("products", *labels)
    assert "potassium_nitrate: " in said.out and "source: CRC Handbook" in said.out and "trade: " in said.out
    figures = stock("products", *labels, "--json").figures
    assert [product["name"] for product in figures if not product["is_built_in"]] == ["calcium_nitrate"]
    by_name = {product["name"]: product for product in figures}
    assert by_name["calcium_nitrate"]["nutrients_pct"] == pytest.approx({"N": 15.5, "Ca": 18.5})
    assert by_name["potassium_nitrate"]["nutrients_pct"]["K"] == pytest.approx(38.7, abs=0.05)
    assert all(product["solubility_sources"] for product in figures if product["solubility"])


def test_a_tank_shows_contents_log_and_what_is_left(stock: Callable[..., Said], farm: Path) -> None:
    """40 L of 800 L were drawn since the filling; every entry of the log is there, in the site's time."""
    said = stock("show", _SITE)
    assert said.code == 0
    assert "800.0 L on 2026-10-13 12:00 +1030; drawn since: 40.0 L; left: 760.0 L" in said.out
    assert "160 kg calcium_nitrate (CN-1), water to 800 L" in said.out
    (tank,) = stock("show", _SITE, "--tank", "a", "--json").figures["tanks"]
    held = tank["contents"]
    assert (held["batch"], held["drawn_l"], held["left_l"]) == ("a_2", pytest.approx(40.0), pytest.approx(760.0))
    assert held["nutrients_g_l"] == pytest.approx({"N": 31.0, "Ca": 37.0})
    assert [entry["key"] for entry in tank["log"]] == ["a_1", "a_2"]


def test_what_is_drawn_is_counted_from_the_moment_on(farm: Path) -> None:
    """A run under way at the moment counts from its checkpoint then; one that goes on, as far as its newest."""
    path, start_ms = farm / LEDGER, round(1000.0 * START.timestamp())

    def drawn_at(minute: int) -> float:
        return drawn_l(path, {"a"}, start_ms + 60_000 * minute)

    assert [drawn_at(minute) for minute in (0, 30, 50, 70)] == pytest.approx([40.0, 20.0, 0.0, 0.0])
    assert drawn_l(path, {"b"}, 0) == 0.0
    going_on = [row for row in run_rows("next") if not isinstance(row[1], RunEnded) and row[0] < 1800]
    assert isinstance(going_on[-1][1], Checkpoint) and going_on[-1][1].stock_ml == 19_000
    with opened(path) as ledger:
        keep_rows(ledger, START + timedelta(days=1), going_on)
    assert drawn_at(0) == pytest.approx(59.0)
    assert drawn_at(24 * 60 + 20) == pytest.approx(9.0)


def test_a_top_up_is_recorded_with_its_lots(stock: Callable[..., Said], farm: Path) -> None:
    """Half of the old solution and half of a new one as strong: the tank is as strong as before."""
    words = (*_TOP_UP, *_LATER, "--kg", "calcium_nitrate=60@L1", "calcium_nitrate=20@L2", "--by", "Theo", "--json")
    said = stock(*words)
    assert said.code == 0
    figures = said.figures
    assert figures["is_recorded"] and figures["key"] == "a_20261014_0800"
    assert figures["assessment"]["products_g_l"] == pytest.approx({"calcium_nitrate": 200.0})
    mix = _mixes(farm)["a_20261014_0800"]
    assert mix.by == "Theo" and mix.heel_l == 400.0
    assert [(portion.kg, portion.lot) for portion in mix.portions] == [(60.0, "L1"), (20.0, "L2")]
    again = stock(*words)
    assert again.code == 2 and "stock correct a_20261014_0800" in again.err


def test_what_must_not_be_mixed_is_not_recorded(stock: Callable[..., Said], farm: Path) -> None:
    """Phosphate onto a heel of calcium: refused with the reason, nothing stored; --anyway keeps what was done."""
    head = verify_file(farm / LEDGER).head
    words = (*_TOP_UP, *_LATER, "--kg", "map=10")
    said = stock(*words)
    assert said.code == 1
    assert "calcium phosphate" in said.err and "Nothing was recorded" in said.err
    assert said.out.startswith("DO NOT")
    as_figures = stock(*words, "--json")
    assert as_figures.code == 1 and not as_figures.figures["is_recorded"]
    assert verify_file(farm / LEDGER).head == head
    assert stock(*words, "--anyway", "it was done in the dark").code == 0
    assert _mixes(farm)["a_20261014_0800"].why == "it was done in the dark"


def test_a_drained_tank_is_empty(stock: Callable[..., Said], farm: Path) -> None:
    """Nothing is assessed, for nothing was mixed; a heel on an empty tank is then refused."""
    said = stock("mix", _SITE, "--tank", "a", "--drained", "--heel-l", 0, *_LATER)
    assert said.code == 0 and "Tank a holds 0 L." in said.out
    assert "tank a (1000 L): empty" in stock("show", _SITE).out
    refused = stock(*_TOP_UP, "--kg", "calcium_nitrate=80", "--at", "2026-10-14T09:00")
    assert refused.code == 1 and "the tank was empty" in refused.err
    assert sorted(_mixes(farm)) == ["a_1", "a_2", "a_20261014_0800"]


def test_a_correction_restates_what_was_drawn(stock: Callable[..., Said], farm: Path) -> None:
    """Half of the bags: the night's two doses are restated by half, and the answer says so; other fields stay."""
    said = stock("correct", "a_2", _SITE, "--kg", "calcium_nitrate=80", "--why", "half the bags")
    assert said.code == 0
    assert "Recorded mix a_2 as version 2. Restated 2 doses of 1 run." in said.out
    mix = _mixes(farm)["a_2"]
    assert (mix.why, mix.filled_to_l, mix.at) == ("half the bags", 800.0, _FILLED)
    report = run_report(farm / LEDGER, "night")
    assert report is not None
    originals = {dose.nutrient: dose.delivered_mg for dose in report.metered}
    assert {stamped.row.nutrient: stamped.row.delivered_mg for stamped in report.restated} == pytest.approx(
        {nutrient: mass_mg / 2.0 for nutrient, mass_mg in originals.items()}, abs=1.0
    )
    assert "half the bags" in stock("show", _SITE).out


def test_a_correction_changes_filling_to_water_by_meter_or_to_a_draining(
    stock: Callable[..., Said], farm: Path
) -> None:
    """What is given takes the place of what excludes it."""
    assert stock("correct", "a_2", _SITE, "--water-l", 770, "--why", "by meter").code == 0
    assert (_mixes(farm)["a_2"].water_l, _mixes(farm)["a_2"].filled_to_l) == (770.0, None)
    assert stock("correct", "a_2", _SITE, "--drained", "--heel-l", 0, "--why", "it was drained").code == 0
    assert (_mixes(farm)["a_2"].did, _mixes(farm)["a_2"].portions) == ("drained", ())


def test_a_bucket_test_is_held_against_the_bags(stock: Callable[..., Said], farm: Path) -> None:
    """60 mL of 200 g/L in 10 L are 1.193 g/L: 1.26 mS/cm by these bags, and 0.6 more speaks of a wrong one."""
    measured = ("bucket", _SITE, "--mix", "a_2", "--stock-ml", 60, "--water-l", 10, "--water-ec", 0.6)
    right = stock(*measured, "--mixed-ec", 1.86, "--at", "2026-10-14T09:00")
    assert right.code == 0
    assert "expected: 1.06 mS/cm" in right.out and "wrong bag" not in right.out
    wrong = stock(*measured, "--mixed-ec", 2.46, "--at", "2026-10-14T08:30")
    assert "wrong bag" in wrong.out
    figures = stock(*measured, "--mixed-ec", 1.86, "--at", "2026-10-14T09:30", "--json").figures
    assert figures["warning"] == ""
    assert figures["measured"] == pytest.approx(figures["expected"], rel=0.02)
    tests = [found for found in read_in_force(farm / LEDGER).decisions.values() if isinstance(found, BucketTest)]
    assert {test.mix for test in tests} == {"a_2"} and len(tests) == 3
    assert stock(*measured, "--mixed-ec", 1.86, "--at", "2026-10-14T09:30").code == 2


def test_a_jar_test_is_recorded_and_counts(stock: Callable[..., Said], farm: Path) -> None:
    """A jar that clouded at these strengths speaks against the tank; the record keeps who and how long."""
    words = ("jar", _SITE, "--g-l", "calcium_nitrate=100", "potassium_nitrate=50", "--coldest-c", 5, "--hours", 24)
    clear = stock(*words, "--clear", "--at", "2026-10-14T08:00")
    assert clear.code == 0 and "Recorded jar_test jar_20261014_0800" in clear.out
    figures = stock(*words, "--clouded", "--by", "Theo", "--at", "2026-10-15T08:00", "--json").figures
    assert any(found["what"] == "jar_test" for found in figures["assessment"]["findings"])
    tests = [found for found in read_in_force(farm / LEDGER).decisions.values() if isinstance(found, JarTest)]
    assert {(test.clear, test.hours) for test in tests} == {(True, 24.0), (False, 24.0)}


def test_a_blend_tells_masses_shortfalls_and_verdicts(stock: Callable[..., Said]) -> None:
    """Nothing brings calcium: its whole target is short and says why; nitrogen is met from what there is."""
    shed = ("--shed", "potassium_nitrate=40@1.8", "urea@0.8", "--tank", "a=500@8", "--aim", "cost")
    words = ("solve", "--target", "N=5", "K=6", "Ca=2", *shed)
    said = stock(*words)
    assert said.code == 0
    assert "tank a, 500 L, down to 8 °C: mixes" in said.out
    assert "Ca is 2.00 kg short: nothing in the shed brings Ca" in said.out
    figures = stock(*words, "--json").figures
    (tank,) = figures["tanks"]
    got = {one["item"]: one for one in figures["got"]}
    assert figures["fits"] and tank["verdict"] == "mixes"
    assert got["N"]["short_kg"] == 0.0 and got["K"]["short_kg"] == 0.0 and got["Ca"]["short_kg"] == 2.0
    assert tank["kg"]["potassium_nitrate"] == pytest.approx(6.0 / 0.3867, rel=0.002)
    assert figures["cost"] == pytest.approx(1.8 * tank["kg"]["potassium_nitrate"] + 0.8 * tank["kg"]["urea"])


def test_a_blend_keeps_to_chloride_and_ammonium(stock: Callable[..., Said], farm: Path) -> None:
    """Chloride and ammonium are held whatever falls short, with the reason; without prices no cost is made up."""
    shed = ("--shed", "potassium_chloride", "ammonium_sulphate", "calcium_nitrate", "--db", farm)
    limits = ("--chloride-kg", 1, "--ammonium-share", 0.3, "--over", "N=20")
    figures = stock("solve", "--target", "N=5", "K=6", *shed, "--tank", "a=500@8", "b=500@8", *limits, "--json").figures
    got = {one["item"]: one for one in figures["got"]}
    assert got["Cl"]["kg"] == pytest.approx(1.0)
    assert got["K"]["short_kg"] > 0.0 and got["K"]["why"]
    assert figures["ammonium_share"] <= 0.3 + 1e-6
    assert figures["cost"] is None
