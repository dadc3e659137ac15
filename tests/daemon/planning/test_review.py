"""Each thing that does not fit in a file of decisions is told once, at its key path, with what was meant."""

import functools

import pytest

from daemon.planning.decided import parse_decisions
from daemon.planning.review import check_decisions
from daemon.site_file import Inspected, inspect_site
from drivers.profile import load_profiles
from tests.night.sites import KESTREL_BEND, edited


@functools.cache
def _site() -> Inspected:
    return inspect_site((KESTREL_BEND / "site.toml").read_text("utf-8"), load_profiles())


def _problems(changes: dict[str, str], more: str = "") -> list[str]:
    text = edited((KESTREL_BEND / "decisions.toml").read_text("utf-8"), changes) + more
    decided = parse_decisions(text)
    return [str(problem) for problem in (*decided.problems, *check_decisions(_site(), decided))]


def test_kestrel_bend_fits() -> None:
    """Guards the tests below: with nothing changed there is nothing to tell."""
    assert _problems({}) == []


_PRODUCT = """
[product.{key}]
title = "made up"
form = "solid"
basis = "w/w"
figures = "elemental"
analysis_pct = {{ K = {pct} }}
"""
_JAR = """
[jar_test.one]
products_g_l = { urea = 100.0, urae = 50.0 }
coldest_c = 8.0
hours = 12.0
clear = true
at = 2026-10-13T08:00:00+10:30
by = "Mina"
"""
_MIX = """
[mix.a_14_oct]
tank = "a"
did = "{did}"
at = 2026-10-14T08:00:00+10:30
by = "Mina"
heel_l = {heel_l}
"""
_FILLED = 'stock = "calcium"\nportions = [{{ product = "{product}", kg = 10.0 }}]\nfilled_to_l = {to_l}\n'
_ACCEPTED = """
[acceptance.one]
recommendation = "{recommendation}"
stage = "{stage}"
nutrient = "{nutrient}"
kg_ha = 1.0
by = "Mina"
"""
_CYCLE = """
[cycle.lucerne]
crop = "lucerne"
blocks = ["{block}"]
starts = {starts}
ends = 2028-06-30
stages = [{{ name = "all", starts = {starts} }}]
"""
_SPREAD = """
[other_source.spread]
blocks = ["{blocks}"]
on = 2026-08-01
what = "spread"
kg_ha = {{ N = 1.0 }}
by = "Theo"
"""


@pytest.mark.parametrize(
    ("changes", "more", "said"),
    [
        (
            {"products_g_l = { potassium_nitrate": "products_g_l = { potasium_nitrate"},
            "",
            "stock.potassium.products_g_l: got 'potasium_nitrate'; expected a product of this file or a built-in salt. "
            "Nearest known: potassium_nitrate",
        ),
        (
            {'source = "creek_water"\n\n[stock.potassium]': 'source = "creek"\n\n[stock.potassium]'},
            "",
            "stock.calcium.source: got 'creek'; expected a water of this file. Nearest known: creek_water",
        ),
        (
            {},
            _PRODUCT.format(key="urea", pct=20.0),
            "product.urea: got a label that cannot be so; expected one that adds up. product.urea: got the name of a",
        ),
        (
            {},
            _PRODUCT.format(key="potash", pct=95.0),
            "product.potash: got a label that cannot be so; expected one that adds up. ",
        ),
        (
            {},
            _JAR,
            "jar_test.one.products_g_l: got 'urae'; expected a product of this file or a built-in salt. Nearest",
        ),
        (
            {},
            _MIX.format(did="filled", heel_l=0.0) + _FILLED.format(product="urae", to_l=900.0),
            "mix.a_14_oct.portions.0.product: got 'urae'; expected a product of this file or a built-in salt. Nearest",
        ),
        (
            {},
            (_MIX.format(did="filled", heel_l=0.0) + _FILLED.format(product="urea", to_l=900.0)).replace(
                '"calcium"', '"calcum"'
            ),
            "mix.a_14_oct.stock: got 'calcum'; expected a stock of this file. Nearest known: calcium",
        ),
        (
            {},
            (_MIX.format(did="filled", heel_l=0.0) + _FILLED.format(product="urea", to_l=900.0)).replace(
                '"calcium"', '"potassium"'
            ),
            "mix.a_14_oct.tank: got 'a'; expected 'b', the tank of stock potassium",
        ),
        (
            {},
            _MIX.format(did="filled", heel_l=0.0) + _FILLED.format(product="urea", to_l=1600.0),
            "mix.a_14_oct.filled_to_l: got 1600; expected at most the tank's 1500 L",
        ),
        (
            {},
            _MIX.format(did="drained", heel_l=20.0).replace('"a"', '"c"'),
            "mix.a_14_oct.tank: got 'c'; expected a tank of the site. Known: a, b",
        ),
        (
            {},
            _MIX.format(did="drained", heel_l=1300.0),
            "mix.a_14_oct.heel_l: got 1300; expected at most the 1200 L that tank a held by its log",
        ),
        (
            {"at = 2026-10-06T08:10:00": "at = 2026-10-14T08:10:00"},
            "",
            "mix.a_13_oct.heel_l: got 300; expected 0: by its log tank a was empty. Enter what it is left of, or a "
            "draining to 0 L before a_13_oct",
        ),
        (
            {'mix = "a_13_oct"': 'mix = "a_13_okt"'},
            "",
            "bucket_test.a_13_oct.mix: got 'a_13_okt'; expected a mix of this file. Nearest known: a_13_oct",
        ),
        (
            {'mix = "a_13_oct"': 'mix = "b_12_oct"'},
            "",
            "bucket_test.a_13_oct.mix: got 'b_12_oct', a draining; expected a filling",
        ),
        (
            {"at = 2026-10-13T08:50:00+10:30": "at = 2026-10-13T07:50:00+10:30"},
            "",
            "bucket_test.a_13_oct.at: got 2026-10-13T07:50:00+10:30; expected a time after its mix, a_13_oct",
        ),
        (
            {},
            _CYCLE.format(block="hil", starts="2027-07-01"),
            "cycle.lucerne.blocks: got 'hil'; expected a block of the site. Nearest known: hill",
        ),
        (
            {},
            _CYCLE.format(block='hill", "hill', starts="2027-07-01"),
            "cycle.lucerne.blocks: got 'hill' 2 times; expected each block once",
        ),
        (
            {},
            _CYCLE.format(block="hill", starts="2027-06-30"),
            "cycle.lucerne: got 2027-06-30 to 2028-06-30 on hill; expected days outside of cycle.young_mandarins, "
            "2026-07-01 to 2027-06-30: a block has one crop at a time",
        ),
        (
            {'cycle = "avocados"': 'cycle = "avocado"'},
            "",
            "recommendation.avocados_2026.cycle: got 'avocado'; expected a cycle of this file. Nearest known: avocados",
        ),
        (
            {"shares = [0.0, 0.25, 0.35, 0.4]": "shares = [0.25, 0.35, 0.4]"},
            "",
            "recommendation.avocados_2026.needs.K.shares: got 3 shares; expected 4, one for each stage: rest, fl",
        ),
        (
            {"every_days = 7\nneeds.K = { kg_ha = 104.0": "events = [4, 13]\nneeds.K = { kg_ha = 104.0"},
            "",
            "recommendation.avocados_2026.events: got 2 counts; expected 4, one for each stage: rest, flowering",
        ),
        (
            {},
            _ACCEPTED.format(recommendation="mandarins_26", stage="rest", nutrient="N"),
            "acceptance.one.recommendation: got 'mandarins_26'; expected a recommendation of this file. Nearest",
        ),
        (
            {},
            _ACCEPTED.format(recommendation="mandarins_2026", stage="fruitset", nutrient="N"),
            "acceptance.one.stage: got 'fruitset'; expected a stage of cycle mandarins. Nearest known: fruit_set",
        ),
        (
            {},
            _ACCEPTED.format(recommendation="mandarins_2026", stage="rest", nutrient="P"),
            "acceptance.one.nutrient: got 'P'; expected a nutrient of the recommendation. Known: K, N",
        ),
        ({}, _SPREAD.format(blocks="hil"), "other_source.spread.blocks: got 'hil'; expected a block of the site."),
        (
            {"why = \"the owner's own, for": 'blocks = ["hil"]\nwhy = "the owner\'s own, for'},
            "",
            "cap.nitrogen_farm_2026.blocks: got 'hil'; expected a block of the site. Nearest known: hill",
        ),
        (
            {'recommendation = "avocados_2026", inject': 'recommendation = "avocado_2026", inject'},
            "",
            "program.grove_night.injections.0.recommendation: got 'avocado_2026'; expected a recommendation of this",
        ),
        (
            {'nutrient = "K", recommendation = "avocados_2026"': 'nutrient = "N", recommendation = "avocados_2026"'},
            "",
            "program.grove_night.injections.0.nutrient: got 'N'; expected a nutrient of recommendation avocados_2026",
        ),
        (
            {'"K", recommendation = "young_mandarins_2026"': '"P", recommendation = "young_mandarins_2026"'},
            "",
            "program.high_night.injections.1.nutrient: got 'P'; expected a nutrient of stock potassium: N, K",
        ),
        (
            {'order = "in_turn"\nsource = "creek_water"': 'order = "in_turn"\nsource = "creek"'},
            "",
            "program.high_night.source: got 'creek'; expected a water of this file. Nearest known: creek_water",
        ),
        (
            {'blocks = ["ridge", "hill"]\nstarts': 'blocks = ["ridge"]\nstarts'},
            "",
            "program.high_night: got a night that fails for its recommended dose; expected one that can run. "
            "Recommendation young_mandarins_2026 is for cycle young_mandarins with ridge; got hill besides.",
        ),
        (
            {"plants_per_ha = 333.0": "nitrogen_until = 2027-07-01"},
            "",
            "cycle.avocados: got nitrogen_until 2027-07-01; expected a day of the cycle",
        ),
    ],
)
def test_each_misfit_is_told_once(changes: dict[str, str], more: str, said: str) -> None:
    """Guards the cross-checks: where, what was got, what was expected, the nearest name; and nothing that follows."""
    (told,) = _problems(changes, more)
    assert told.startswith(said)
