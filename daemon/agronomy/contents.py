"""What is in a tank at some moment: the answer that the tank's log gives, and planning rests on."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from daemon.agronomy.substance import Substance
from daemon.decisions.tanks import Water


@dataclass(frozen=True, slots=True)
class Contents:
    """The solution in one tank, well stirred."""

    tank: str
    stock: str
    """Key of the stock solution that it is."""
    batch: str
    """Key of the newest filling."""
    since: datetime
    """Moment of the newest entry of the log."""
    litres: float
    """Right after the newest entry of the log; what was drawn since is not taken off."""
    products_g_l: Mapping[str, float]
    nutrients_g_l: Mapping[str, float]
    nitrogen_g_l: Mapping[str, float]
    """By form: nitrate, ammonium, urea."""
    product_g_l: float
    """All products together."""
    solutes: tuple[tuple[Substance, float], ...]
    """The same products with their chemistry, and their grams in a litre."""
    made_with: Water | None
    """The analysis of the water that the stock is made with."""
    ec_ms_cm_per_g_l: float
    """Rise of EC at 25 °C for each gram of product in a litre: in the bucket, or in some water; 0 where EC cannot see
    it. What the line shows, `showing` says."""
    products_ec_ms_cm_per_g_l: float | None
    """The same by the products alone, each in pure water: what a bucket test is judged by. None where the water
    decides: acids and alkalis react with its bicarbonate."""
    bucket_g_l: float | None
    """Product in a litre of the bucket that was tested; None where none was."""
    strength_accuracy_pct: float
    """k = 2 of the strength."""

    @property
    def is_measured(self) -> bool:
        """Whether a bucket test gave its EC."""
        return self.bucket_g_l is not None

    @property
    def ec_from(self) -> str:
        """bucket_test, or products."""
        return "bucket_test" if self.is_measured else "products"
