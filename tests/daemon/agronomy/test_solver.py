"""Blends that can be worked out by hand, one published recipe, and the whole model against SciPy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog  # type: ignore[import-untyped]

from daemon.agronomy.shed import Aim, Bag, Question, Tank, content
from daemon.agronomy.verdict import Verdict
from tests.daemon.agronomy.mixes import unknown
from tests.daemon.agronomy.sheds import CALCIUM_NITRATE, EPSOM, WIDE, bag, first_attempt, got, masses

_A, _B = Tank("a", 1000.0, 10.0), Tank("b", 1000.0, 10.0)


def test_two_nutrients_from_two_products() -> None:
    """Guards the plainest blend. Potassium nitrate is 38.67 % K and 13.85 % N, urea 46.65 % N (domain sheet, 1)."""
    shed = (bag("potassium_nitrate", price=1.3), bag("urea", price=0.6))
    blend = first_attempt(Question({"N": 10.0, "K": 20.0}, shed, (WIDE,), Aim.COST))
    nitrate_kg = 20.0 / 0.3867
    urea_kg = (10.0 - 0.1385 * nitrate_kg) / 0.4665
    assert masses(blend) == pytest.approx({"potassium_nitrate": nitrate_kg, "urea": urea_kg}, rel=1e-3)
    assert blend.cost == pytest.approx(1.3 * nitrate_kg + 0.6 * urea_kg, rel=1e-3)
    assert blend.fits and blend.short == 0.0 and not any(each.why for each in blend.got)


def test_a_published_recipe() -> None:
    """Guards the whole way against Hoagland and Arnon, Calif. Agr. Exp. Sta. Circ. 347 (1950), solution 2.

    By a public copy: 1 mL of molar NH4H2PO4, 6 of KNO3, 4 of Ca(NO3)2 and 2 of MgSO4 to a litre. Here 100 m3 of it, as
    stock of 1 to 100 in two tanks. What it holds is those moles times atomic weights (N 15 mmol, P 1, K 6, Ca 4, Mg 2,
    S 2); the masses are the moles times the molar masses of the domain sheet, 1.
    """
    targets = {"N": 15 * 14.007, "P": 30.974, "K": 6 * 39.098, "Ca": 4 * 40.078, "Mg": 2 * 24.305, "S": 2 * 32.06}
    recipe = {"map": 115.03, "potassium_nitrate": 6 * 101.10, CALCIUM_NITRATE: 4 * 236.15, EPSOM: 2 * 246.47}
    asked = {item: grams / 10.0 for item, grams in targets.items()}
    shed = [bag(name) for name in recipe]
    blend = first_attempt(Question(asked, shed, (_A, _B), Aim.COST, over_pct=dict.fromkeys(asked, 0.05)))
    assert masses(blend) == pytest.approx({name: grams / 10.0 for name, grams in recipe.items()}, rel=2e-3)
    assert got(blend, "S").kg == pytest.approx(6.412, rel=2e-3)
    calcium = next(filling for filling in blend.fillings if CALCIUM_NITRATE in filling.kg)
    assert not {"map", EPSOM} & calcium.kg.keys() and blend.fits


def test_calcium_and_sulphate_take_two_tanks() -> None:
    """Guards the split: with two tanks nothing is short, with one the lesser loss is, its whole amount and why."""
    targets = {"Ca": 20.0, "Mg": 6.0, "S": 7.0}
    shed = (bag(CALCIUM_NITRATE), bag(EPSOM))
    two = first_attempt(Question(targets, shed, (_A, _B), Aim.COST, over_pct={"S": 20.0}))
    assert {frozenset(filling.kg) for filling in two.fillings} == {frozenset({CALCIUM_NITRATE}), frozenset({EPSOM})}
    assert two.short == 0.0 and two.fits
    one = first_attempt(Question(targets, shed, (_A,), Aim.COST, over_pct={"S": 20.0}))
    assert masses(one).keys() == {EPSOM} and one.short == pytest.approx(1.0)
    calcium = got(one, "Ca")
    assert calcium.short_kg == 20.0 and "gypsum" in calcium.why[0] and "may not share tank a" in calcium.why[0]


@pytest.mark.parametrize("most_kg", [0.0, 5.0, None])
def test_the_cheapest_potassium_is_chloride_as_far_as_the_crop_bears_it(most_kg: float | None) -> None:
    """Guards the chloride limit (practice: avocado): potassium chloride up to it, and the dearer sulphate for the rest.

    Potassium chloride is 52.45 % K and 47.55 % Cl, the sulphate 44.88 % K (domain sheet, 1).
    """
    shed = (bag("potassium_chloride", price=0.5), bag("potassium_sulphate", price=1.2))
    limits = {} if most_kg is None else {"Cl": most_kg}
    blend = first_attempt(Question({"K": 30.0}, shed, (WIDE,), Aim.COST, most_kg=limits))
    chloride_kg = 30.0 / 0.5245 if most_kg is None else most_kg / 0.4755
    sulphate_kg = (30.0 - 0.5245 * chloride_kg) / 0.4488
    expected = {"potassium_chloride": chloride_kg, "potassium_sulphate": sulphate_kg}
    assert masses(blend) == pytest.approx({name: kg for name, kg in expected.items() if kg > 0.01}, rel=1e-3)
    assert blend.cost == pytest.approx(0.5 * chloride_kg + 1.2 * sulphate_kg, rel=1e-3)


def test_what_the_chloride_limit_leaves_short() -> None:
    """Guards the limit as hard: with chloride alone in the shed the rest of the potassium is short, and why is said."""
    shed = (bag("potassium_chloride"),)
    blend = first_attempt(Question({"K": 30.0}, shed, (WIDE,), Aim.COST, most_kg={"Cl": 5.0}))
    potassium = got(blend, "K")
    assert potassium.short_kg == pytest.approx(30.0 - 5.0 * 0.5245 / 0.4755, rel=1e-3)
    assert potassium.why == ("potassium chloride: more of it brings Cl over the 5 kg that are allowed",)


def test_ammonium_stays_within_its_share() -> None:
    """Guards the share: a fifth as ammonium is two fifths as ammonium nitrate, and the rest the dearer urea."""
    shed = (bag("ammonium_nitrate", price=0.4), bag("urea", price=1.2))
    blend = first_attempt(Question({"N": 10.0}, shed, (WIDE,), Aim.COST, ammonium_most_share=0.2))
    assert masses(blend) == pytest.approx({"ammonium_nitrate": 4.0 / 0.35, "urea": 6.0 / 0.4665}, rel=1e-3)
    assert blend.ammonium_share == pytest.approx(0.2, abs=2e-4)


def test_forms_of_nitrogen_may_be_targets() -> None:
    """Guards targets by form: nitrate from where nitrate is, urea from urea."""
    shed = (bag("ammonium_nitrate"), bag("urea"), bag("potassium_nitrate"))
    targets = {"N_nitrate": 3.5, "N_urea": 4.665}
    blend = first_attempt(Question(targets, shed, (WIDE,), Aim.COST))
    assert masses(blend) == pytest.approx({"ammonium_nitrate": 20.0, "urea": 10.0}, rel=1e-3)
    assert got(blend, "N").target_kg is None and got(blend, "N").kg == pytest.approx(11.665, rel=1e-3)


def test_what_the_shed_lacks_is_short_by_so_much() -> None:
    """Guards the stock in the shed: all of it is used, and no more."""
    shed = (bag("potassium_nitrate", kg=25.0),)
    blend = first_attempt(Question({"K": 20.0, "Mg": 2.0}, shed, (WIDE,), Aim.SALT))
    assert masses(blend) == pytest.approx({"potassium_nitrate": 25.0}, rel=1e-4)
    assert got(blend, "K").short_kg == pytest.approx(20.0 - 25.0 * 0.3867, rel=1e-3)
    assert got(blend, "K").why == ("potassium nitrate: all 25 kg in the shed are used",)
    assert got(blend, "Mg").short_kg == 2.0 and got(blend, "Mg").why == ("nothing in the shed brings Mg",)


def test_a_target_is_not_passed_for_the_sake_of_another() -> None:
    """Guards the overshoot: MAP brings phosphorus only as far as its nitrogen may go over."""
    question = Question({"N": 1.0, "P": 10.0}, (bag("map"),), (WIDE,), Aim.COST, over_pct={"N": 20.0})
    blend = first_attempt(question)
    assert masses(blend) == pytest.approx({"map": 1.2 / 0.1218}, rel=1e-3)
    assert "brings N over its target by more than 20 %" in got(blend, "P").why[0]


@pytest.mark.parametrize(("name", "coldest_c"), [("potassium_sulphate", 5.0), (EPSOM, 20.0), (CALCIUM_NITRATE, 10.0)])
def test_a_tank_is_filled_to_its_margin(name: str, coldest_c: float) -> None:
    """Guards solubility, hydrate water and volume together: as much as the assessment passes, and hardly less."""
    blend = first_attempt(
        Question({"K": 900.0, "Mg": 900.0, "Ca": 900.0}, (bag(name),), (Tank("a", 500.0, coldest_c),), Aim.COST)
    )
    (filling,) = blend.fillings
    assert 0.775 < (filling.assessment.product_fractions[name] or 0.0) < 0.8
    assert filling.assessment.verdict is Verdict.MIXES
    assert any("full to 80 % of what dissolves" in why for each in blend.got for why in each.why)


def test_unknown_products_share_no_tank() -> None:
    """Guards "unknown is not yes": a product that nobody has tried has a tank of its own, or is left out."""
    mix = Bag(unknown(), None, 0.1)
    both = first_attempt(Question({"N": 10.0, "K": 10.0}, (mix, bag("urea")), (_A, _B), Aim.COST))
    assert sorted(list(filling.kg) for filling in both.fillings) == [["shed_mix"], ["urea"]] and both.short == 0.0
    one = first_attempt(Question({"N": 10.0, "K": 10.0}, (mix, bag("urea")), (_A,), Aim.COST))
    assert len(masses(one)) == 1 and one.short > 0.0
    assert any("unknown: jar test" in why for each in one.got for why in each.why)


def test_what_cleans_lines_is_left_out_and_said() -> None:
    """Guards against chlorine in a stock tank."""
    bleach = Bag(unknown("bleach", nature="chlorine"), None, 0.1)
    blend = first_attempt(Question({"K": 10.0}, (bleach,), (WIDE,), Aim.COST))
    assert not blend.fillings and "frees chlorine" in blend.left_out["bleach"]
    assert got(blend, "K").short_kg == 10.0 and "frees chlorine" in got(blend, "K").why[0]


def test_least_salt_is_not_least_cost() -> None:
    """Guards the two aims: EC does not see urea, however dear it is."""
    shed = (bag("urea", price=2.0), bag("ammonium_nitrate", price=0.5))
    cheap, mild = (first_attempt(Question({"N": 10.0}, shed, (WIDE,), aim)) for aim in (Aim.COST, Aim.SALT))
    assert masses(cheap).keys() == {"ammonium_nitrate"} and masses(mild).keys() == {"urea"}
    assert mild.ec_ms_cm_m3 == 0.0 and cheap.ec_ms_cm_m3 == pytest.approx(10.0 / 0.35 * 1.68, rel=0.05)  # sheet, 4


@pytest.mark.parametrize("targets", [{}, {"N": 0.0, "K": 0.0}])
@pytest.mark.parametrize("aim", list(Aim))
def test_nothing_asked_is_nothing_weighed(targets: dict[str, float], aim: Aim) -> None:
    """Guards zero in, zero out."""
    blend = first_attempt(Question(targets, (bag("urea"), bag("potassium_nitrate", price=0.0)), (_A, _B), aim))
    assert not blend.fillings and blend.cost == blend.ec_ms_cm_m3 == blend.short == 0.0
    assert blend.ammonium_share is None and blend.fits


_FRIENDS = ("urea", "ammonium_nitrate", "map", "mkp", "potassium_nitrate", "potassium_chloride", "urea_phosphate")
_PRICES = st.floats(0.2, 3.0).map(lambda price: round(price, 2))
_TARGETS = st.dictionaries(st.sampled_from(("N", "P", "K")), st.integers(1, 9).map(float), min_size=1)


@settings(derandomize=True, database=None, max_examples=60, deadline=None)
@given(
    prices=st.dictionaries(st.sampled_from(_FRIENDS), _PRICES, min_size=1),
    targets=_TARGETS,
    share=st.sampled_from((1.0, 0.5, 0.1)),
    chloride_kg=st.sampled_from((0.0, 2.0, 50.0)),
)
def test_the_blend_is_what_a_plain_linear_programme_finds(
    prices: dict[str, float], targets: dict[str, float], share: float, chloride_kg: float
) -> None:
    """Guards the model against scipy.optimize.linprog: products that all mix, in a tank where solubility is no matter.

    Within 0.2 %: the blend leaves out what is not worth weighing.
    """
    shed = [bag(name, price=price) for name, price in prices.items()]
    limits = {"most_kg": {"Cl": chloride_kg}, "ammonium_most_share": share}
    blend = first_attempt(Question(targets, shed, (WIDE,), Aim.COST, **limits))  # type: ignore[arg-type]

    products = [each.product for each in shed]
    shares = np.array([[content(product, item) / kg for product in products] for item, kg in targets.items()])
    ammonium = np.array([content(p, "N_ammonium") - share * content(p, "N") for p in products])
    chloride = np.array([content(p, "Cl") for p in products])
    n, m = len(products), len(targets)
    rows = np.block(
        [
            [-shares, -np.eye(m)],
            [shares, np.zeros((m, m))],
            [ammonium, np.zeros(m)],
            [chloride, np.zeros(m)],
        ]
    )
    most = [*[-1.0] * m, *[1.05] * m, 0.0, chloride_kg]
    short = np.array([*[0.0] * n, *[1.0] * m])
    by_short = linprog(short, A_ub=rows, b_ub=most)
    cost = np.array([*prices.values(), *[0.0] * m])
    by_cost = linprog(cost, A_ub=np.vstack([rows, short]), b_ub=[*most, by_short.fun + 1e-6])
    assert blend.short == pytest.approx(by_short.fun, abs=2e-3)
    assert blend.cost == pytest.approx(by_cost.fun, rel=2e-3, abs=0.01)
