"""Every kind of decision by its name."""

from daemon.decisions.base import Decision
from daemon.decisions.crops import Acceptance, Cap, Cycle, OtherSource, Recommendation
from daemon.decisions.measured import Calibration, Curve, Transit
from daemon.decisions.shed import Delivery, Rainfall, ShedCount
from daemon.decisions.tanks import BucketTest, JarTest, Mix, Product, Stock, Water
from daemon.decisions.timetable import Allocation, Tariff, Timetable, Tonight
from daemon.decisions.watering import BlockState, Program, Shift

KINDS: dict[str, type[Decision]] = {
    model.kind: model
    for model in (
        Shift,
        Program,
        BlockState,
        Product,
        Water,
        Stock,
        Mix,
        BucketTest,
        JarTest,
        Cycle,
        Recommendation,
        Acceptance,
        OtherSource,
        Cap,
        Timetable,
        Tonight,
        Tariff,
        Allocation,
        Transit,
        Calibration,
        Curve,
        Delivery,
        ShedCount,
        Rainfall,
    )
}
