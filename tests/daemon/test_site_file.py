"""The site file: what it says lands where it should, and everything wrong with it is told at once."""

import pytest

from daemon.equipment import MeteringPump, Way
from daemon.site import Plant, point_refs
from daemon.site_file import SiteError, inspect_site, parse_site
from drivers.profile import Problem, load_profiles
from tests.daemon.control.plant import WIDE, kestrel, make_plant, site_text, small


def _problems(text: str) -> dict[str, Problem]:
    with pytest.raises(SiteError) as caught:
        parse_site(text, load_profiles())
    error = caught.value
    assert error.code == "site.invalid"
    assert str(error).splitlines() == [str(problem) for problem in error.problems]
    found = {problem.where: problem for problem in error.problems}
    assert len(found) == len(error.problems), "two problems under one key path"
    return found


def _only(text: str) -> Problem:
    found = _problems(text)
    assert len(found) == 1, found
    return next(iter(found.values()))


def test_the_demos_site_is_read_as_written() -> None:
    """Guards reading: sections, defaults, pipes and the curve are where they belong."""
    site = kestrel().site
    assert (site.site.name, site.site.zone, site.site.scan_s) == ("Kestrel Bend", "Australia/Adelaide", 1.0)
    assert site.main.flow is not None and site.main.flow.at_high == 60.0 and site.main.flow.stale_s == 5.0
    assert site.main.order == ("meter", "injection", "probe") and site.main.pipes[0].bore_mm == 103.6
    assert isinstance(site.injector["a"], MeteringPump)
    assert site.injector["a"].curve == ((0.1, 50.0), (0.5, 250.0), (1.0, 500.0))
    assert site.block["creek"].flow_m3_h == pytest.approx(33.92)
    assert site.limits.flush_factor == 1.5
    assert kestrel().points["relays.out1"].read_back == "out1_state"


def test_a_counting_signal_wraps_at_its_own_unit() -> None:
    """Guards rollover: 32 bits of 10 L and of 0.01 L."""
    plant = kestrel()
    assert plant.counter_wrap(plant.site.main.water) == 2**32 * 10.0
    assert plant.counter_wrap(plant.site.injector["a"].meter) == pytest.approx(2**32 * 0.01)


_MAGNETIC = {
    '"signals.ai1", at_low = 0.0, at_high = 60.0': '"meter.flow_m3_h"',
    '"signals.count1", per_count = 10.0': '"meter.total"',
}
_METER = '\n[device.meter]\nbus = "signals"\nunit = 3\nprofile = "magnetic_flow_meter"\n'


def test_a_signal_without_a_scale_keeps_the_profiles_unit() -> None:
    """Guards the third form of a signal: neither ends nor counts."""
    plant = make_plant(site_text(_MAGNETIC) + _METER)
    assert plant.site.main.water.per_count is None
    assert plant.counter_wrap(plant.site.main.water) == 2**32


def test_every_point_is_found_once_with_its_way() -> None:
    """Guards the field: each point that the site names, inputs and outputs told apart."""
    ways = {where: way for where, _, way in point_refs(kestrel().site)}
    outputs = {where for where, way in ways.items() if way is Way.OUT}
    assert outputs == {"pump.run", "injector.a.valve", "injector.a.run", "injector.a.drive", "block.creek.valve"}
    assert ways["main.flow.point"] is Way.IN and ways["safety.reset_button"] is Way.IN
    assert len(ways) == 2 + 5 + 4 + 4 + 1 + 1  # pump, main, safety, injector, tank, block


@pytest.mark.parametrize(
    ("old", "new", "where", "got", "expected"),
    [
        ("length_m = 420.0", 'length_m = "420"', "main.pipes.0.length_m", "'420'", "valid number"),
        ("area_ha = 3.2", "area_ha = -1.0", "block.creek.area_ha", "-1.0", "greater than 0"),
        ("area_ha = 3.2", "area_ha = nan", "block.creek.area_ha", "nan", "finite"),
        ("scan_s = 1.0", "scan_s = inf", "site.scan_s", "inf", "less than or equal to 5"),
        ("checkpoint_s = 10.0", "checkpoint_s = 60.0", "site.checkpoint_s", "60.0", "less than or equal to 10"),
        ("laterals = 106", "laterals = 0", "block.creek.submain.laterals", "0", "greater than or equal to 1"),
        ("laterals = 106", "laterals = 106.5", "block.creek.submain.laterals", "106.5", "integer"),
        ("max_starts_per_hour = 6", "max_starts_per_hour = true", "pump.max_starts_per_hour", "True", "integer"),
        ("port = 15020", "port = 70000", "bus.relays.port", "70000", "65535"),
        ("unit = 1\n", "unit = 248\n", "device.relays.unit", "248", "247"),
        ('"Australia/Adelaide"', '"Australia/Adelade"', "site.zone", "'Australia/Adelade'", "IANA"),
        ('kind = "metering_pump"', 'kind = "piston"', "injector.a.kind", "'piston'", "one of metering_pump, duty_pump"),
        ('kind = "fixed_speed"\n', "", "pump.kind", "nothing", "one of fixed_speed, variable_speed"),
        ('"probe"]', '"prob"]', "main.order.2", "'prob'", "'meter', 'filter', 'injection' or 'probe'"),
        ("[main]", "[[main]]", "main", "[{", "a section with keys of its own"),
        ('order = ["meter", "injection", "probe"]', "order = []", "main.order", "0", "at least 2"),
        ('running = "relays.in3"', 'running = "in3"', "pump.running", "'in3'", "pattern"),
        ("flush_factor = 1.5", "flush_factor = 0.5", "limits.flush_factor", "0.5", "greater than or equal to 1"),
        ("over_dose_pct = 110.0", "over_dose_pct = 400.0", "limits.over_dose_pct", "400.0", "150"),
        ("commit_age_s = 5.0", "commit_age_s = 50.0", "limits.commit_age_s", "50.0", "5"),
    ],
)
def test_a_wrong_value_is_told_with_its_key_what_was_got_and_what_was_expected(
    old: str, new: str, where: str, got: str, expected: str
) -> None:
    """Guards each kind of wrong value: type, range, not a number, zone, choice, form of a point."""
    problem = _only(site_text({old: new}))
    assert problem.where == where
    assert got in problem.got and expected in problem.expected


@pytest.mark.parametrize(
    ("old", "new", "where", "hint"),
    [
        ("settle_s =", "setle_s =", "limits.setle_s", "Nearest known: settle_s"),
        ("[limits]", "[limit]", "limit", "Nearest known: limits"),
        ("bore_mm = 103.6", "bore_m = 103.6", "main.pipes.0.bore_m", "Nearest known: bore_mm"),
        ("emitters = 200", "emiters = 200", "block.creek.lateral.emiters", "Nearest known: emitters"),
        ("stroke_window_s =", "stroke_windows =", "injector.a.stroke_windows", "Nearest known: stroke_window_s"),
        ("max_starts_per_hour =", "max_start =", "pump.max_start", "Nearest known: max_starts_per_hour"),
        ("low_l = 40.0", "low = 40.0", "tank.a.low", "Nearest known: low_l"),
        ("accuracy_pct_of_span = 0.5 }\nlow_l", "accuracy_of_span = 0.5 }\nlow_l", "tank.a.content.accuracy_of_span",
         "Nearest known: accuracy_pct_of_span"),
    ],
)  # fmt: skip
def test_an_unknown_key_is_an_error_with_the_nearest_known_one(old: str, new: str, where: str, hint: str) -> None:
    """Guards unknown keys at every depth: in a section, a table of names, a list of pipes."""
    problem = _problems(site_text({old: new}))[where]
    assert problem.got == "a key nobody knows" and problem.hint == hint


def test_an_unknown_key_like_no_other_gets_the_whole_list() -> None:
    """Guards the hint: with nothing near, all keys of the section are named."""
    problem = _only(site_text({"flush_factor = 1.5": "flush_factor = 1.5\nxyzzy = 1"}))
    assert problem.where == "limits.xyzzy" and problem.hint.startswith("Known: commit_age_s, fill_max_s")


@pytest.mark.parametrize(
    ("old", "where"),
    [
        ("flush_factor = 1.5\n", "limits.flush_factor"),
        ("min_pressure_kpa = 150.0\n", "main.min_pressure_kpa"),
        ("travel_s = 8.0\n", "block.creek.travel_s"),
        ('reset_button = "relays.in4"\n', "safety.reset_button"),
    ],
)
def test_a_missing_key_has_no_default(old: str, where: str) -> None:
    """Guards keys that the plant needs: leaving one out is an error that says so."""
    problem = _only(site_text({old: ""}))
    assert (problem.where, problem.got) == (where, "nothing")
    assert "no default" in problem.expected


@pytest.mark.parametrize(
    ("old", "new", "where", "words"),
    [
        ("at_low = 0.0, at_high = 60.0, ", "at_low = 0.0, ", "main.flow", "or neither"),
        ("at_low = 0.0, at_high = 60.0, ", "at_low = 9.0, at_high = 9.0, ", "main.flow", "says nothing"),
        ("per_count = 10.0, ", "per_count = 10.0, at_low = 0.0, at_high = 1.0, ", "main.water", "not both"),
        ("per_count = 10.0, accuracy_pct_of_reading = 1.0", "per_count = 10.0", "main.water", "an accuracy"),
        ("[0.5, 250.0]", "[0.5, 40.0]", "injector.a", "a curve that rises"),
        ("[0.5, 250.0]", "[0.05, 250.0]", "injector.a", "a curve that rises"),
    ],
)
def test_keys_that_contradict_each_other_are_told_with_the_section(old: str, new: str, where: str, words: str) -> None:
    """Guards the rules within a section: a scale is one scale, an accuracy is needed, a calibration rises."""
    problem = _only(site_text({old: new}))
    assert problem.where == where and words in problem.expected


def test_every_error_is_told_at_once() -> None:
    """Guards all at once: seven mistakes in seven sections are seven problems, each on its own line."""
    wrong = _problems(
        site_text(
            {
                '"Australia/Adelaide"': '"Nowhere/Land"',
                "port = 15020": "port = 0",
                "start_s = 10.0": "start_s = -1.0",
                "flow_band_pct = 20.0": "flow_band_pct = 90.0",
                "stroke_window_s = 10.0\n": "",
                "area_ha = 3.2": "area = 3.2",
                "flush_factor = 1.5": 'flush_factor = "1.5"',
            }
        )
    )
    assert set(wrong) == {
        "site.zone",
        "bus.relays.port",
        "pump.start_s",
        "main.flow_band_pct",
        "injector.a.stroke_window_s",
        "block.creek.area",
        "block.creek.area_ha",
        "limits.flush_factor",
    }


def test_what_does_not_fit_together_is_told_at_once() -> None:
    """Guards all at once for what only shows between sections."""
    wrong = _problems(
        site_text(
            {
                '"relays.in3"': '"relays.in1"',
                'run = "relays.out1"': 'run = "relays.in7"',
                'tank = "a"': 'tank = "z"',
                "low_l = 40.0": "low_l = 2000.0",
            }
        )
    )
    assert set(wrong) == {"pump.run", "safety.emergency_stop_healthy", "injector.a.tank", "tank.a.low_l"}


def test_wrong_keys_hide_nothing_in_other_sections() -> None:
    """Guards all at once over both kinds: a wrong part is told, the others are checked, and its name stays known."""
    wrong = _problems(
        site_text(
            {
                "area_ha = 3.2": "area = 3.2",
                'unit = 2\nprofile = "signal_block"': 'unit = 0\nprofile = "signal_block"',
                'kind = "fixed_speed"': 'kind = "fixed"',
                "low_l = 40.0": "low_l = 2000.0",
                '"relays.in4"': '"relays.in1"',
                "max_pressure_kpa = 450.0": "max_pressure_kpa = 100.0",
            }
        )
    )
    schema = {"block.creek.area", "block.creek.area_ha", "device.signals.unit", "pump.kind"}
    assert set(wrong) == schema | {"tank.a.low_l", "safety.reset_button", "main.max_pressure_kpa"}


def test_what_stands_of_a_wrong_file() -> None:
    """Guards what the decisions are checked against: right parts by name, and the names of the wrong ones."""
    found = inspect_site(site_text({"volume_accuracy_pct = 12.0": "volume_accuracy_pct = 0.0"}), load_profiles())
    assert found.plant is None and found.standing is not None
    assert found.standing.names["block"] == ("creek",) and not found.standing.block
    assert found.standing.main is not None and set(found.standing.tank) == {"a"}
    assert inspect_site("[", load_profiles()).standing is None


@pytest.mark.parametrize("text", ["[site\nname = 1", "site = ", "\x00", "a = 1\na = 2"])
def test_text_that_is_not_toml_says_where(text: str) -> None:
    """Guards bad TOML: one problem with the parser's line and column."""
    problem = _only(text)
    assert (problem.where, problem.got, problem.expected) == ("site file", "text that is not TOML", "TOML 1.0")
    assert "at line" in problem.hint or "at end of document" in problem.hint


def test_an_empty_file_lacks_every_section() -> None:
    """Guards the sections: each missing one is named."""
    assert set(_problems("")) == {
        *("site", "bus", "device", "main", "safety", "injector", "tank", "block", "limits"),
    }


def test_a_problem_reads_as_one_line() -> None:
    """Guards the form of every message: where, got, expected, hint."""
    assert str(Problem("a.b", "1", "2", "Nearest known: c")) == "a.b: got 1; expected 2. Nearest known: c"
    assert str(Problem("a.b", "1", "2")) == "a.b: got 1; expected 2"


def test_the_digest_is_of_the_site_and_not_of_its_text() -> None:
    """Guards the digest that a run keeps: another value changes it, a comment or another layout does not."""

    def digest(plant: Plant) -> str:
        return plant.digest

    text = site_text()
    assert digest(make_plant(text + "\n# a comment\n")) == digest(kestrel())
    assert digest(make_plant(site_text({"area_ha = 3.2": "area_ha = 3.20"}))) == digest(kestrel())
    others = [
        small(),
        make_plant(site_text({"area_ha = 3.2": "area_ha = 3.3"})),
        make_plant(site_text({"volume_accuracy_pct = 12.0": "volume_accuracy_pct = 11.0"})),
        make_plant(site_text(more=WIDE)),
    ]
    assert len({digest(plant) for plant in [kestrel(), *others]}) == 5
    assert all(len(digest(plant)) == 64 for plant in others)


def test_a_site_is_frozen() -> None:
    """Guards the site while it runs: nobody changes a limit in place."""
    with pytest.raises(ValueError, match="frozen"):
        kestrel().site.limits.flush_factor = 1.0  # type: ignore[misc]


_API = '\n[api]\nhost = "0.0.0.0"\nport = 8443\nnames = ["pump-shed.local"]\n'


def test_where_a_farm_is_reached() -> None:
    """Guards the default, which is this computer alone, and that serving otherwise makes no other plant of it."""
    plain, served = (parse_site(text, load_profiles()) for text in (site_text(), site_text() + _API))
    assert plain.site.api.host == "127.0.0.1" and plain.site.api.certificate is None
    assert served.site.api.names == ("pump-shed.local",) and served.site.api.port == 8443
    assert served.digest == plain.digest


@pytest.mark.parametrize(
    ("line", "where"),
    [
        ('certificate = "a.pem"', "api"),
        ('names = ["http://pump-shed"]', "api.names.0"),
        ("port = 0", "api.port"),
        ('host = ""', "api.host"),
        ('hots = "127.0.0.1"', "api.hots"),
    ],
)
def test_what_is_wrong_with_it_is_told(line: str, where: str) -> None:
    """Guards the section's errors: half of TLS, a name that is an address, a key that nobody knows."""
    assert _only(f"{site_text()}\n[api]\n{line}\n").where == where
