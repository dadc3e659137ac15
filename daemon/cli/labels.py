"""The CSV files of what is in the shed and in the water: products by their labels, water analyses."""

from collections.abc import Sequence

from daemon.agronomy.nutrients import OXIDES
from daemon.cli.drafts import Draft, Form, each_once
from daemon.cli.sheet import Column, Row
from daemon.decisions.tanks import Product, Water
from drivers.profile import Problem

_ON = "on_yyyy_mm_dd"
_PLAIN = ("title", "form", "basis", "figures", "density_kg_l", "ec_ms_cm_per_g_l", "same_as", "nature", "price_per_kg")
_FORMS = {"N_nitrate": "n_nitrate_pct", "N_ammonium": "n_ammonium_pct", "N_urea": "n_urea_pct"}
_ELEMENTS = ("P", "K", "Ca", "Mg", "S", "Cl", "Na", "B", "Fe", "Mn", "Zn", "Cu", "Mo")
_ANALYSIS = _FORMS | {element: f"{element.lower()}_pct" for element in _ELEMENTS}


def _products(rows: Sequence[Row]) -> tuple[list[Draft], list[Problem]]:
    named, problems = each_once(rows, "product", "product")
    drafts = []
    for row in named:
        values = row.values
        body = {name: values[name] for name in _PLAIN if name in values}
        places = {"": row.place("product")} | {name: row.place(name) for name in Product.model_fields}
        body["analysis_pct"] = {item: values[key] for item, key in _ANALYSIS.items() if values.get(key)}
        places |= {f"analysis_pct.{item}": row.place(key) for item, key in _ANALYSIS.items()}
        wrong = [key for key in _ANALYSIS.values() if key in row.wrong]
        places["analysis_pct"] = row.place(wrong[0]) if wrong else f"row {row.number}, columns N nitrate (%) to Mo (%)"
        soluble = [key for key in values if key.startswith("soluble_at_")]
        body["solubility"] = [{"at_c": float(key.split("_")[2]), "g_per_100_g_water": values[key]} for key in soluble]
        places |= {f"solubility.{place}": row.place(key) for place, key in enumerate(soluble)}
        drafts.append(Draft(Product.kind, values["product"], body, places))
    return drafts, problems


def _waters(rows: Sequence[Row]) -> tuple[list[Draft], list[Problem]]:
    named, problems = each_once(rows, "water", "water")
    drafts = []
    for row in named:
        body = {key: row.values[key] for key in Water.model_fields if key in row.values}
        places = {"": row.place("water")} | {key: row.place(key) for key in Water.model_fields}
        if _ON in row.values:
            body["on"] = row.values[_ON]
        drafts.append(Draft(Water.kind, row.values["water"], body, places | {"on": row.place(_ON)}))
    return drafts, problems


def _percent(heading: str, example: str = "") -> Column:
    return Column(f"{heading} (%)", example, "percent, as the label has it", "number", needed=False)


def _mg_l(ion: str, example: str, *, needed: bool = True) -> Column:
    return Column(f"{ion} (mg/L)", example, f"mg of {ion} in a litre", "number", needed=needed)


_BY_FORM = "Nitrogen comes by its form: N nitrate (%), N ammonium (%), N urea (%)"

PRODUCTS = Form(
    Product,
    (
        Column("product", "calcium_nitrate", "a name such as calcium_nitrate"),
        Column("title", "calcium nitrate of Kestrel Bend's shed (invented)", "what the label calls it"),
        Column("form", "solid", "solid or liquid"),
        Column("basis", "w/w", "w/w (percent by mass) or, liquids alone, w/v (grams in 100 mL): the label says which"),
        Column(
            "figures",
            "oxide",
            "elemental; oxide (its P, K, Ca, Mg, S are P2O5, K2O, CaO, MgO, SO3); or oxide_p_k (P2O5 and K2O alone)",
        ),
        _percent("N nitrate", "14.4"),
        _percent("N ammonium", "1.1"),
        _percent("N urea"),
        *(_percent(element, "26.3" if element == "Ca" else "") for element in _ELEMENTS),
        Column("density (kg/L)", "", "the density of a liquid", "number", needed=False),
        Column("EC (mS/cm per g/L)", "1.15", "the rise of EC for a gram in a litre", "number", needed=False),
        Column(
            "soluble at 10 C (g per 100 g water)",
            "",
            "what dissolves in 100 g of added water",
            "number",
            needed=False,
            pattern=r"soluble_at_\d+_c_g_per_100_g_water",
            more=(("soluble at 20 C (g per 100 g water)", ""),),
        ),
        Column("same as", "calcium_nitrate_double_salt", "the built-in salt that it is a grade of", needed=False),
        Column("nature", "neutral", "neutral, acid, alkaline or chlorine", needed=False),
        Column("price per kg", "0.85", "the price of a kilogram", "number", needed=False),
    ),
    {
        "n_pct": _BY_FORM,
        "n": _BY_FORM,
        **{
            f"{oxide.lower()}_pct": f"Head it {element} (%), with oxide in the column figures"
            for element, oxide in OXIDES.items()
        },
    },
    _products,
)

WATERS = Form(
    Water,
    (
        Column("water", "creek_water", "the name of the source, such as creek_water"),
        Column("on (YYYY-MM-DD)", "2026-09-02", "a day as YYYY-MM-DD", "day"),
        Column("EC (mS/cm)", "0.6", "EC at 25 °C in mS/cm, the same as dS/m", "number"),
        Column("pH", "7.1", "the pH", "number"),
        _mg_l("Ca", "18"),
        _mg_l("Mg", "8"),
        _mg_l("Na", "85"),
        _mg_l("K", "3", needed=False),
        _mg_l("HCO3", "60"),
        _mg_l("SO4", "14"),
        _mg_l("Cl", "128"),
        _mg_l("nitrate", "0.6"),
        Column("nitrate as", "N", "N or NO3: whether it is mg of nitrogen or of nitrate, 4.43 times apart"),
        _mg_l("Fe", "0", needed=False),
    ),
    {
        "ec_s_cm": "1000 µS/cm is 1 mS/cm: convert it, and head it EC (mS/cm)",
        "ec_us_cm": "1000 uS/cm is 1 mS/cm: convert it, and head it EC (mS/cm)",
        "ec_ds_m": "1 dS/m is 1 mS/cm: head it EC (mS/cm)",
        "no3_mg_l": "Head it nitrate (mg/L), with NO3 in the column nitrate as",
        "no3_n_mg_l": "Head it nitrate (mg/L), with N in the column nitrate as",
    },
    _waters,
)
