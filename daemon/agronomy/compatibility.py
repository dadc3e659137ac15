"""Which products may share a stock tank: a table of the built-in salts, each row with its reason.

Common practice of extension bulletins; the calcium and magnesium rows agree with PHREEQC (domain sheet, section 3). In
a tank a "never" wins over any calculated index: a tank is filled by hand, stands for days and gets cold. Whatever is
neither in the table nor a grade of what is there is unknown, and asks for a jar test.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import combinations
from typing import Final

from daemon.agronomy.substance import Substance
from daemon.agronomy.verdict import Finding, Verdict
from daemon.decisions.tanks import JarTest


class Rule(Enum):
    """What is known of a pair."""

    MIXES = "mixes"
    LIMITED = "limited"
    NEVER = "never"
    UNKNOWN = "unknown: jar test"


@dataclass(frozen=True, slots=True)
class Pairing:
    """Two products in one tank."""

    one: str
    other: str
    rule: Rule
    reason: str


_CALCIUM = frozenset({"calcium_nitrate_tetrahydrate", "calcium_nitrate_double_salt", "calcium_chloride_dihydrate"})
_MAGNESIUM = frozenset({"magnesium_sulphate_heptahydrate", "magnesium_nitrate_hexahydrate"})
_POTASSIUM = frozenset({"potassium_nitrate", "potassium_chloride"})
_CHLORIDES = frozenset({"potassium_chloride", "calcium_chloride_dihydrate"})
_SULPHATES = frozenset({"ammonium_sulphate", "potassium_sulphate", "magnesium_sulphate_heptahydrate"})
_PHOSPHATES = frozenset({"map", "dap", "mkp"})
_PHOSPHORIC = frozenset({"phosphoric_acid", "urea_phosphate"})
_UREAS = frozenset({"urea", "urea_phosphate"})
_EPSOM = frozenset({"magnesium_sulphate_heptahydrate"})
_NITRIC = frozenset({"nitric_acid"})
_GYPSUM = "calcium and sulphate fall out as gypsum, which no warmth dissolves again"
_CALCIUM_PHOSPHATE = "calcium and phosphate fall out as calcium phosphate"
_UREA_NITRATE = "urea and nitric acid form urea nitrate, which crystallises and can explode"
"""A solid of that system in the IUPAC-NIST Solubility Data Series 66; that it explodes: from memory, not confirmed."""

_ROWS: Final = (
    (_CALCIUM, _SULPHATES, Rule.NEVER, _GYPSUM),
    (_CALCIUM, _PHOSPHATES, Rule.NEVER, _CALCIUM_PHOSPHATE),
    (
        _CALCIUM,
        _PHOSPHORIC,
        Rule.NEVER,
        "calcium phosphate stays dissolved only in a strong excess of acid, and falls out once that is spent",
    ),
    (_MAGNESIUM, {"dap"}, Rule.NEVER, "DAP is alkaline, and magnesium ammonium phosphate falls out"),
    (
        _MAGNESIUM,
        {"map", "mkp"},
        Rule.LIMITED,
        "magnesium and phosphate stay dissolved only while it is acid: keep pH below 5.5",
    ),
    (_NITRIC, _UREAS, Rule.NEVER, _UREA_NITRATE),
    (_NITRIC, _CHLORIDES, Rule.LIMITED, "strong nitric acid drives chlorine out of chloride: add it to the full tank"),
    (_NITRIC | _PHOSPHORIC, {"dap"}, Rule.LIMITED, "acid and DAP heat each other: add slowly and stir"),
    ({"ammonium_sulphate"}, _POTASSIUM, Rule.LIMITED, "potassium sulphate forms, which is little soluble"),
    (_EPSOM, _POTASSIUM, Rule.LIMITED, "potassium sulphate forms, which is little soluble"),
    ({"potassium_sulphate"}, _POTASSIUM, Rule.LIMITED, "more potassium drives potassium sulphate out"),
    ({"potassium_sulphate"}, {"ammonium_sulphate"}, Rule.LIMITED, "more sulphate drives potassium sulphate out"),
    (
        _EPSOM,
        {"ammonium_sulphate", "potassium_sulphate"},
        Rule.LIMITED,
        "a double sulphate with magnesium forms, less soluble than either",
    ),
)
"""(some, others, rule, reason); every other pair of known salts mixes."""
KNOWN: Final = (
    _CALCIUM
    | _MAGNESIUM
    | _POTASSIUM
    | _SULPHATES
    | _PHOSPHATES
    | _PHOSPHORIC
    | _UREAS
    | _NITRIC
    | {"ammonium_nitrate", "boric_acid"}
)
"""The built-in salts that the table speaks of."""


_FEEDS = frozenset({"N", "P"})
_UNKNOWN = (Rule.UNKNOWN, "nobody has said what these two do together")


def pairings(products: Sequence[Substance]) -> tuple[Pairing, ...]:
    """Return what is known of each two of them, in their order."""
    return tuple(
        Pairing(one.name, other.name, *(_by_table(one.salt, other.salt) or _by_kind(one, other) or _UNKNOWN))
        for one, other in combinations(products, 2)
    )


def _by_table(one: str | None, other: str | None) -> tuple[Rule, str] | None:
    """Return the table's word on two built-in salts; None where one is none of them."""
    if one not in KNOWN or other not in KNOWN:
        return None
    for some, others, rule, reason in _ROWS:
        if (one in some and other in others) or (other in some and one in others):
            return rule, reason
    return Rule.MIXES, "nothing falls out that these two form together"


def _by_kind(one: Substance, other: Substance) -> tuple[Rule, str] | None:
    """Return what holds for any two products of their kinds, whatever they are called."""
    for a, b in ((one, other), (other, one)):
        if a.nature == "acid" and b.nature == "chlorine":
            return Rule.NEVER, "acid drives chlorine gas out, which kills"
        if a.nature == "acid" and b.nature == "alkaline":
            return Rule.NEVER, "acid and alkali boil up together"
        if a.nature == "acid" and a.ions_mol_g.get("NO3") and b.ions_mol_g.get("Urea"):
            return Rule.NEVER, _UREA_NITRATE
        if a.ions_mol_g.get("Ca") and b.ions_mol_g.get("SO4"):
            return Rule.NEVER, _GYPSUM
        if a.ions_mol_g.get("Ca") and b.ions_mol_g.get("PO4"):
            return Rule.NEVER, _CALCIUM_PHOSPHATE
    return None


def jar_tests_of(
    products_g_l: Mapping[str, float], coldest_c: float, jar_tests: Iterable[JarTest]
) -> tuple[JarTest | None, JarTest | None]:
    """Return (a jar that stayed clear and covers this tank, a jar that clouded and speaks against it).

    A clear jar covers the same products at no more than its strength and no colder than it got. A cloudy one speaks
    against the same products unless each is weaker in the tank, or the tank stays warmer.
    """
    clear = cloudy = None
    for jar in jar_tests:
        if set(jar.products_g_l) != set(products_g_l):
            continue
        if not jar.clear:
            weaker = all(products_g_l[name] < strength for name, strength in jar.products_g_l.items())
            cloudy = cloudy if weaker or coldest_c > jar.coldest_c else jar
        elif coldest_c >= jar.coldest_c and all(products_g_l[name] <= g for name, g in jar.products_g_l.items()):
            clear = jar
    return clear, cloudy


def pair_findings(pairs: Iterable[Pairing], clear: JarTest | None, cloudy: JarTest | None) -> Iterator[Finding]:
    """Yield what speaks against these pairs, and what a jar showed (see `jar_tests_of`). No jar lifts a never."""
    if cloudy is not None:
        yield Finding(
            Verdict.DO_NOT,
            "jar_test",
            f"the jar of {cloudy.at:%Y-%m-%d} did not stay clear at this strength",
            "two tanks, or a weaker jar that stays clear",
        )
    for pair in pairs:
        names = f"{pair.one} with {pair.other}"
        if pair.rule is Rule.NEVER:
            apart = f"two tanks: {pair.one} in one, {pair.other} in another"
            yield Finding(Verdict.DO_NOT, "pair", f"{names}: {pair.reason}", apart)
        elif pair.rule is Rule.LIMITED:
            yield Finding(Verdict.WITH_CARE, "pair", f"{names}: {pair.reason}", "")
        elif pair.rule is Rule.UNKNOWN and clear is not None:
            reason = f"{names}: known by the jar of {clear.at:%Y-%m-%d} alone, clear after {clear.hours:g} h"
            yield Finding(Verdict.WITH_CARE, "jar_test", reason, "look at the tank before the first injection")
        elif pair.rule is Rule.UNKNOWN:
            yield Finding(
                Verdict.DO_NOT,
                "pair",
                f"{names}: unknown: jar test. {pair.reason}",
                "try all of it in a jar, at this strength and temperature, and record the jar test",
            )


def refused_by_nature(products: Iterable[Substance]) -> tuple[Finding, ...]:
    """Return a refusal of each product that is made to clean lines and not to feed a crop."""
    return tuple(
        Finding(
            Verdict.DO_NOT,
            "nature",
            f"{product.title} {'frees chlorine' if product.nature == 'chlorine' else 'is an acid without N or P'}: "
            "cleaning lines is not designed for yet, and they share their pipes with ammonium and acid stocks",
            "leave it out",
        )
        for product in products
        if product.nature == "chlorine" or (product.nature == "acid" and not _FEEDS & product.nutrients_g_g.keys())
    )
