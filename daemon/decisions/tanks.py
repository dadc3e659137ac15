"""What is in the shed and in the tanks: products, stock solutions, what was mixed, and what was tried."""

from typing import Annotated, ClassVar, Literal, Self

from pydantic import Field, model_validator

from daemon.decisions.base import WHOLE, Celsius, Day, Decision, Instant, Name, NotNegative, Part, Positive, Text

Pct = Annotated[float, Field(gt=0.0, le=100.0, allow_inf_nan=False)]
LabelItem = Annotated[str, Field(pattern=r"^(N_nitrate|N_ammonium|N_urea|P|K|Ca|Mg|S|Cl|Na|B|Fe|Mn|Zn|Cu|Mo)$")]
"""N by its form; the rest as the label has it, elemental or as the oxide."""


class SolubilityPoint(Part):
    """What dissolves at one temperature."""

    at_c: Celsius
    g_per_100_g_water: Positive
    """Of the product as it is weighed, to 100 g of added water."""


class Product(Decision):
    """A bag or drum by its label. The built-in salts need none; a product may not take the name of one."""

    kind: ClassVar[str] = "product"
    title: Text
    form: Literal["solid", "liquid"]
    basis: Literal["w/w", "w/v"]
    """Percent by mass; or, liquids alone, grams in 100 mL."""
    figures: Literal["elemental", "oxide", "oxide_p_k"]
    """What the label means by P, K, Ca, Mg and S: the elements; P2O5, K2O, CaO, MgO and SO3; or P2O5 and K2O, and the
    other three as elements."""
    analysis_pct: dict[LabelItem, Pct] = Field(min_length=1)
    density_kg_l: Positive | None = None
    """Needed for a liquid."""
    solubility: Annotated[tuple[SolubilityPoint, ...], Field(strict=False)] = ()
    ec_ms_cm_per_g_l: NotNegative | None = None
    """Rise of EC at 25 °C for each gram in a litre; without it, from the ions that the label implies."""
    same_as: Name | None = None
    """The built-in salt that this is a grade of: it then mixes as that one does."""
    nature: Literal["neutral", "acid", "alkaline", "chlorine"] = "neutral"
    price_per_kg: NotNegative | None = None

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.form == "liquid" and self.density_kg_l is None:
            raise ValueError(
                "got a liquid without density_kg_l; expected its density, from the label or a weighed litre"
            )
        if self.form == "solid" and (self.basis == "w/v" or self.density_kg_l is not None):
            raise ValueError("got a solid with basis w/v or a density; expected basis w/w and no density")
        if len({point.at_c for point in self.solubility}) < len(self.solubility):
            raise ValueError("got two solubilities at one temperature; expected each temperature once")
        return self


class Water(Decision):
    """An analysis of a source of water. The key is the source's name."""

    kind: ClassVar[str] = "water"
    on: Day
    """Day of the sample."""
    ec_ms_cm: NotNegative
    """At 25 °C."""
    ph: Annotated[float, Field(ge=3.0, le=11.0, allow_inf_nan=False)]
    ca_mg_l: NotNegative
    mg_mg_l: NotNegative
    na_mg_l: NotNegative
    k_mg_l: NotNegative = 0.0
    hco3_mg_l: NotNegative
    so4_mg_l: NotNegative
    cl_mg_l: NotNegative
    nitrate_mg_l: NotNegative
    nitrate_as: Literal["N", "NO3"]
    """Whether `nitrate_mg_l` is mg of nitrogen or of nitrate: the two differ by 4.43 times."""
    fe_mg_l: NotNegative = 0.0


class Stock(Decision):
    """A stock solution: its tank, how it is made up, how cold it gets. What is in the tank now, `Mix` says."""

    kind: ClassVar[str] = "stock"
    tank: Name
    products_g_l: dict[Name, Positive] = Field(min_length=1)
    """Grams of each product, as weighed, in a litre of finished solution."""
    coldest_c: Celsius
    """The coldest that the tank gets: at night, and while salts that cool it dissolve."""
    strength_accuracy_pct: Positive
    """k = 2 of the strength, from the weighing and the filling of the tank."""
    source: Name | None = None
    """The water that it is made with."""
    position: Literal["middle", "late"] = "middle"
    """When in the shift it is injected. Late leaves it near the emitters: nitrate on sand."""


class Portion(Part):
    """One product that went in."""

    product: Name
    kg: Positive
    lot: Annotated[str, Field(max_length=60)] = ""
    bags: Annotated[int, Field(ge=1), WHOLE] | None = None


class Mix(Decision):
    """One thing done to a tank: filled or topped up, or drained. A tank's log is all of them in the order of `at`.

    A later version of the same key corrects it, and says why; every run since `at` is then restated.
    """

    kind: ClassVar[str] = "mix"
    tank: Name
    did: Literal["filled", "drained"]
    """Filled: portions and water onto the heel, if there is one. Drained: down to `heel_l`."""
    at: Instant
    by: Text
    heel_l: NotNegative
    """Litres of the old solution in the tank before a filling, or left after draining; by the gauge or a dip."""
    stock: Name | None = None
    """The stock solution that it is now. Needed when filled."""
    portions: Annotated[tuple[Portion, ...], Field(strict=False)] = ()
    water_l: NotNegative | None = None
    """Water that was added, by meter; or else `filled_to_l`."""
    filled_to_l: Positive | None = None
    """The mark to which it was filled, the heel included."""
    why: Annotated[str, Field(max_length=200)] = ""
    """Why this version corrects the one before."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.did == "drained":
            if self.stock or self.portions or self.water_l is not None or self.filled_to_l is not None:
                raise ValueError("got stock, portions or water with drained; expected heel_l alone")
            return self
        if self.stock is None or (self.water_l is None) == (self.filled_to_l is None):
            raise ValueError("got a filling that is not whole; expected stock, and either water_l or filled_to_l")
        if self.filled_to_l is not None and self.filled_to_l <= self.heel_l:
            raise ValueError(f"got filled_to_l {self.filled_to_l:g}; expected more than the heel of {self.heel_l:g} L")
        names = [portion.product for portion in self.portions]
        lots = [(portion.product, portion.lot) for portion in self.portions]
        if len(set(lots)) < len(lots):
            raise ValueError(f"got a product twice with the same lot among {', '.join(names)}; expected each lot once")
        return self


class BucketTest(Decision):
    """The real stock in the real water, and the EC that it gives: a bucket's evidence of the batch."""

    kind: ClassVar[str] = "bucket_test"
    mix: Name
    """The batch: the filling that it was drawn after."""
    at: Instant
    by: Text
    stock_ml: Positive
    water_l: Positive
    water_ec_ms_cm: NotNegative
    """Of the water alone, at 25 °C, with the same meter."""
    mixed_ec_ms_cm: Positive
    """Of the two together, at 25 °C."""


class JarTest(Decision):
    """Products tried together in a jar, at a tank's strength, in the water that is used."""

    kind: ClassVar[str] = "jar_test"
    products_g_l: dict[Name, Positive] = Field(min_length=2)
    coldest_c: Celsius
    """How cold the jar got."""
    hours: Positive
    clear: bool
    """Whether nothing fell out, clouded or heated."""
    at: Instant
    by: Text
