"""`shiftwright import`: what is taken on purpose, what is made of it, and how it comes into the record."""

import csv
import io
import json
from pathlib import Path

import pytest

from daemon.cli import recording
from daemon.cli.main import main
from daemon.decisions.crops import Recommendation
from daemon.decisions.tanks import Product, Water
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from daemon.ledger.reports import verify_file
from daemon.messages import Answer
from tests.cli.imports import FIGS, KINDS, Import, in_force, template_of, with_cells
from tests.night.sites import KESTREL_BEND


@pytest.mark.parametrize("what", KINDS)
def test_a_template_can_be_imported(what: str, folder: Path, take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """As it is printed: the dry run stores nothing, the run stores it, a second one has nothing to store."""
    text = template_of(what, capsys)
    assert "invented" in text or what == "water"
    head = verify_file(folder / LEDGER).head
    code, said = take(what, text, "--dry-run")
    assert code == 0 and "Nothing" in said
    assert verify_file(folder / LEDGER).head == head
    assert take(what, text)[0] == 0
    head = verify_file(folder / LEDGER).head
    code, said = take(what, text)
    assert code == 0 and said.endswith("Nothing to record.\n") and "In the record as they are: " in said
    assert verify_file(folder / LEDGER).head == head and verify_file(folder / LEDGER).broken_seq is None


@pytest.mark.parametrize("what", KINDS)
def test_a_template_says_its_units(what: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each heading of a number has its unit, but for a count, a pH and money."""
    headings, *examples = csv.reader(io.StringIO(template_of(what, capsys)))
    assert examples
    for example in examples:
        for heading, cell in zip(headings, example, strict=True):
            if cell.replace(".", "").isdigit():
                assert heading.endswith(")") or heading in ("pH", "price per kg"), heading


def test_the_templates_are_kestrel_bends_own(folder: Path, take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """What they say is what the demo's decisions say: 144.6 kg K2O is 120 kg K (x 0.8301), 26.3 % CaO is 18.8 % Ca."""
    assert take("water", template_of("water", capsys))[1].startswith("In the record as they are: water creek_water.")
    take("recommendations", template_of("recommendations", capsys))
    plan = in_force(folder, "recommendation", "mandarins_2026")
    assert isinstance(plan, Recommendation)
    assert {name: need.kg_ha for name, need in plan.needs.items()} == pytest.approx({"N": 110.0, "K": 120.0}, abs=0.05)
    assert plan.needs["K"].shares == pytest.approx((0.0, 0.15, 0.275, 0.325, 0.25))
    assert (plan.every_days, plan.events, plan.make_up_pct) == (7, None, 25.0)
    code, said = take("products", template_of("products", capsys))
    assert code == 0 and "N 15.5, Ca 18.8" in said


def test_what_spreadsheets_do_is_taken_on_purpose(
    folder: Path, take: Import, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mark, semicolons with decimal commas, tabs, empty rows and columns, other spelling of headings: one meaning."""
    text = with_cells(template_of("water", capsys), {"water": "bore"})
    comma = text.replace(",", ";").replace(".", ",")
    empty = "".join(f"{line},,\n" for line in ["", *text.splitlines(), ""])
    spelt = text.replace("EC (mS/cm)", " ec_MS_cm ").replace("Ca (mg/L)", '"CA  [mg/l]"')
    files = (
        text,
        comma,
        text.replace(",", "\t"),
        comma.replace(";", "\t"),
        "\ufeff" + comma.replace("\n", "\r\n"),
        empty,
        spelt,
        text.replace("creek", '"creek"').replace("bore", '" bore "'),
    )
    for number, file in enumerate(files):
        code, said = take("water", file)
        assert code == 0, said
        assert said.endswith("Nothing to record.\n") == (number > 0)
    found = in_force(folder, "water", "bore")
    assert isinstance(found, Water) and (found.ec_ms_cm, found.ca_mg_l, found.nitrate_mg_l) == (0.6, 18.0, 0.6)


def test_nitrate_is_shown_as_nitrogen(take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """10 mg/L of NO3 is 2.26 of N (x 0.2259): whoever means the other sees it before it is recorded."""
    text = with_cells(template_of("water", capsys), {"water": "bore", "nitrate (mg/L)": "10", "nitrate as": "NO3"})
    assert take("water", text, "--dry-run")[1].splitlines()[1].split()[-1] == "2.3"


def test_events_by_stage(folder: Path, take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """Where every irrigation is an event, each stage says how many it has; without one of the two it is refused."""
    text = template_of("recommendations", capsys)
    columns = ",".join(f"stage {n} events" for n in range(1, 6))
    text = text.replace("stage 1 events", columns).replace(",,25\n", ",4,10,20,20,8,25\n").replace(",7,", ",,")
    code, said = take("recommendations", text)
    assert code == 0 and "by stage 4 / 10 / 20 / 20 / 8" in said
    plan = in_force(folder, "recommendation", "mandarins_2026")
    assert isinstance(plan, Recommendation) and (plan.events, plan.every_days) == ((4, 10, 20, 20, 8), None)
    code, said = take("recommendations", text.replace(",4,10,20,20,8,25\n", ",,,,,,25\n"))
    assert code == 2 and "got both or none of every_days and events; expected one" in said


def test_solubility_by_temperature(folder: Path, take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """A column for each temperature, as many as the label has."""
    heading = "soluble at 20 C (g per 100 g water)"
    text = template_of("products", capsys).replace(heading, "soluble at 25 C (g per 100 g water)")
    text = with_cells(text, {"soluble at 10 C (g per 100 g water)": "95", "soluble at 25 C (g per 100 g water)": "120"})
    assert take("products", text)[0] == 0
    product = in_force(folder, "product", "calcium_nitrate")
    assert isinstance(product, Product)
    assert [(point.at_c, point.g_per_100_g_water) for point in product.solubility] == [(10.0, 95.0), (25.0, 120.0)]


def test_json_of_an_import(take: Import, capsys: pytest.CaptureFixture[str]) -> None:
    """What is recorded with its version, what was there already, and whether it was recorded."""
    text = template_of("products", capsys)
    code, said = take("products", text, "--json", "--dry-run")
    planned = json.loads(said)
    assert code == 0 and not planned["is_recorded"] and planned["said"] == "Nothing was recorded: --dry-run."
    code, said = take("products", text, "--json")
    recorded = json.loads(said)
    assert recorded["is_recorded"] and recorded["decisions"] == planned["decisions"] and recorded["schema"] == 1
    (decision,) = recorded["decisions"]
    assert (decision["kind"], decision["key"], decision["version"]) == ("product", "calcium_nitrate", 1)
    assert decision["body"]["analysis_pct"] == {"N_nitrate": 14.4, "N_ammonium": 1.1, "Ca": 26.3}
    code, said = take("products", text.replace("0.85", "0.9"), "--json")
    assert json.loads(said)["decisions"][0]["version"] == 2
    code, said = take("products", text.replace("0.85", "0.9"), "--json")
    assert json.loads(said)["unchanged"] == [{"kind": "product", "key": "calcium_nitrate"}]


def test_decisions_of_a_file_come_together(folder: Path, take: Import) -> None:
    """A recommendation and the cycle that it is for are one record: neither fits without the other."""
    code, said = take("decisions", FIGS)
    assert code == 0 and "Recorded cycle figs as version 1, recommendation figs_2027 as version 1." in said
    assert read_in_force(folder / LEDGER).versions["recommendation", "figs_2027"] == 1


def test_a_mix_is_corrected_with_a_reason(folder: Path, take: Import) -> None:
    """The file of decisions goes the same way as everything else: runs since would be restated, and must say why."""
    text = (KESTREL_BEND / "decisions.toml").read_text("utf-8").replace("kg = 180.0", "kg = 160.0")
    code, said = take("decisions", text)
    assert code == 2 and "mix.a_13_oct.why: got nothing; expected why it was wrong" in said
    code, said = take(
        "decisions", text.replace('lot = "CN-2231", bags = 9 }]', 'lot = "CN-2231" }]\nwhy = "a bag less"')
    )
    assert code == 0 and "Recorded mix a_13_oct as version 2." in said
    assert "In the record as they are: " in said


def test_a_file_or_record_that_is_not_there(
    folder: Path, tmp_path_factory: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    """No file, a folder, no site, a template of what has none: each says what to do. No record yet: exit 4."""
    site, none = folder / "site.toml", tmp_path_factory.mktemp("new")
    for words, code, expected in (
        (("products", none / "no.csv", site), 2, "cannot be read"),
        (("products", none, site), 2, "cannot be read"),
        (("products",), 2, "expected FILE and SITE. --template prints a file to fill in"),
        (("decisions", "--template"), 2, "Examples: shiftwright demo --copy DIR. Every key: shiftwright schema decis"),
    ):
        assert main(["import", *map(str, words), "--db", str(folder)]) == code
        assert expected in capsys.readouterr().err
    (none / "waters.csv").write_text(template_of("water", capsys), "utf-8")
    real = ["import", "water", str(none / "waters.csv"), str(site), "--db", str(none / "db")]
    assert main([*real, "--dry-run"]) == 0
    assert main(real) == 4
    assert "start the daemon once" in capsys.readouterr().err
    assert not (none / "db").exists()


def test_somebody_decided_otherwise_meanwhile(
    take: Import, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What the daemon refuses after all is exit 1, with its reason."""
    text = template_of("products", capsys)
    monkeypatch.setattr(recording, "record", lambda *_: Answer("c1", False, "version 1 is there already"))
    assert take("products", text) == (1, "shiftwright: version 1 is there already\n")


def test_a_folder_closed_to_this_user(
    take: Import, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The system's own reason, and what to look at."""

    def closed(*_: object) -> Answer:
        raise PermissionError(13, "Permission denied")

    text = template_of("products", capsys)
    monkeypatch.setattr(recording, "record", closed)
    code, said = take("products", text)
    assert code == 2 and "Permission denied; expected a folder this user may write. See --db" in said
