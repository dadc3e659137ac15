"""An example of each kind of decision for the API's description, all from Kestrel Bend, an invented orchard."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

EXAMPLES: Final[Mapping[str, dict[str, Any]]] = MappingProxyType(
    {
        "shift": {"blocks": ["ridge", "hill"]},
        "program": {
            "shift": "grove",
            "water_m3": 148.0,
            "injections": [
                {"stock": "potassium", "nutrient": "K", "recommendation": "avocados_2026", "inject_m3": 54.0}
            ],
            "order": "together",
            "source": "creek_water",
        },
        "block": {"closed_until": "2026-10-20", "why": "picking"},
        "product": {
            "title": "a grade of potassium nitrate",
            "form": "solid",
            "basis": "w/w",
            "figures": "elemental",
            "analysis_pct": {"N_nitrate": 13.5, "K": 38.2},
        },
        "water": {
            "on": "2026-09-02",
            "ec_ms_cm": 0.6,
            "ph": 7.1,
            "ca_mg_l": 18.0,
            "mg_mg_l": 8.0,
            "na_mg_l": 85.0,
            "hco3_mg_l": 60.0,
            "so4_mg_l": 14.0,
            "cl_mg_l": 128.0,
            "nitrate_mg_l": 0.6,
            "nitrate_as": "N",
        },
        "stock": {
            "tank": "b",
            "products_g_l": {"potassium_nitrate": 120.0},
            "coldest_c": 8.0,
            "strength_accuracy_pct": 2.0,
            "source": "creek_water",
        },
        "mix": {"tank": "b", "did": "drained", "at": "2026-10-12T16:30:00+10:30", "by": "Theo", "heel_l": 0.0},
        "bucket_test": {
            "mix": "a_13_oct",
            "at": "2026-10-13T08:50:00+10:30",
            "by": "Mina",
            "stock_ml": 60.0,
            "water_l": 10.0,
            "water_ec_ms_cm": 0.6,
            "mixed_ec_ms_cm": 1.95,
        },
        "jar_test": {
            "products_g_l": {"potassium_nitrate": 60.0, "map": 40.0},
            "coldest_c": 8.0,
            "hours": 24.0,
            "clear": True,
            "at": "2026-10-10T09:00:00+10:30",
            "by": "Mina",
        },
        "cycle": {
            "crop": "avocados",
            "blocks": ["house", "river"],
            "starts": "2026-07-01",
            "ends": "2027-06-30",
            "stages": [
                {"name": "rest", "starts": "2026-07-01", "growing": False},
                {"name": "flowering", "starts": "2026-09-01"},
            ],
            "plants_per_ha": 333.0,
        },
        "recommendation": {
            "cycle": "avocados",
            "by": "R. Okafor, agronomist",
            "on": "2026-06-18",
            "basis": "soil test of May 2026 and 14 t/ha expected",
            "every_days": 7,
            "needs": {"K": {"kg_ha": 104.0, "shares": [0.0, 0.25, 0.35, 0.4]}},
        },
        "acceptance": {
            "recommendation": "avocados_2026",
            "stage": "flowering",
            "nutrient": "K",
            "kg_ha": 1.5,
            "by": "Mina",
        },
        "other_source": {
            "blocks": ["creek", "bridge"],
            "on": "2026-07-20",
            "what": "manure",
            "kg_ha": {"N": 20.0, "P": 8.0, "K": 14.0},
            "available": 0.5,
            "by": "Theo",
        },
        "cap": {
            "nutrient": "N",
            "kg_ha": 8.0,
            "over": "day",
            "basis": "each_hectare",
            "strict": "hard",
            "why": "no more than the sand holds",
        },
        "timetable": {"programs": ["low_night", "high_night", "grove_night"], "starts": ["22:00"]},
        "tonight": {"night": "2026-10-14", "do": "water_only", "why": "rain is forecast"},
        "tariff": {"cheap": [{"begin": "21:00", "end": "07:00"}], "why": "the night rate"},
        "allocation": {"m3": 90000.0, "first": "2026-07-01", "last": "2027-06-30", "why": "the licence of the season"},
        "transit": {
            "litres": 14000.0,
            "accuracy_pct": 3.0,
            "at": "2026-10-10T09:00:00+10:30",
            "by": "Theo",
            "how": "dye at the outermost emitter, by stopwatch",
        },
        "calibration": {
            "instrument": "injector.a",
            "accuracy_pct": 1.0,
            "at": "2026-10-10T11:00:00+10:30",
            "by": "Theo",
            "how": "a jug of 10 L, at three rates",
        },
        "delivery": {
            "product": "calcium_nitrate_double_salt",
            "kg": 1000.0,
            "lot": "CN-2231",
            "at": "2026-10-12T11:00:00+10:30",
            "by": "Mina",
        },
        "shed_count": {
            "product": "calcium_nitrate_double_salt",
            "kg": 580.0,
            "at": "2026-10-13T07:00:00+10:30",
            "by": "Mina",
        },
        "rainfall": {"on": "2026-10-14", "mm": 12.4, "by": "Mina"},
        "curve": {
            "points": [[0.1, 48.0], [0.5, 246.0], [1.0, 492.0]],
            "accuracy_pct": 1.5,
            "at": "2026-10-10T11:00:00+10:30",
            "by": "Theo",
            "how": "a cylinder of 30 L, at three settings",
        },
    }
)
"""By kind; some parts of longer ones are left out."""
