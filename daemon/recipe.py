"""The control recipe (ISA-88) of one shift run: all that `decide` needs to know of the plan, frozen."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class LinePath:
    """The water's way from the injection point to a block's emitters, as mean volumes at the block's own flow."""

    main_l: float
    """Pipe with nothing drawn off along it, the block's share of the shared main included: pure delay."""
    submain_l: float
    """Submain volume: its equal laterals draw the flow down along it."""
    lateral_l: float
    """All laterals together."""
    transit_l: float
    """Litres from the injection point to the outermost emitter's first drop."""
    accuracy_pct: float
    """k = 2 of all of these."""
    computed_l: float = 0.0
    """The same litres as computed from the pipes: `transit_l` itself unless that was measured."""
    is_measured: bool = False


@dataclass(frozen=True, slots=True)
class BlockPlan:
    """One block of the shift."""

    block: str
    area_ha: float
    share: float
    """Part of the shift's flow, 0 to 1; the shares sum to 1."""
    share_accuracy_pct: float
    """k = 2 of the share: with one main meter the split is computed, not measured."""
    drains: bool
    """Whether its pipes run empty once the pressure is gone."""
    path: LinePath
    planned_mg: Mapping[str, Mapping[str, int]]
    """Channel and nutrient to milligrams for the whole block."""


@dataclass(frozen=True, slots=True)
class ChannelPlan:
    """One injection channel of the shift."""

    channel: str
    stock: str
    """Key of the stock decision; flush owed is kept for each stock."""
    batch: str
    stock_l: float
    """Litres of stock solution to inject."""
    ratio: float
    """Litres of stock to a litre of water."""
    after: str
    """The channel that must be done first; empty for none."""
    rinse_l: float
    """Clear water that must follow that one's last litre."""
    hose_l: float
    """What the hose to the main holds: it enters first."""
    nutrients_g_l: Mapping[str, float]
    strength_accuracy_pct: float
    ec_rise_ms_cm: float
    """Expected rise of the line's EC while injecting; 0 where EC cannot see the product."""
    start_l: float = 0.0
    """Water of INJECT that passes before it begins."""
    most_l: float | None = None
    """Litres of stock at which the first block is at a hard cap; None where no hard cap bounds it."""
    ec_accuracy_pct: float = 7.0
    """k = 2 of the rise of EC that a litre of the stock makes, its own strength apart where it was measured."""
    is_ec_measured: bool = False
    """A bucket test of this very stock gave that rise: EC then tells how its strength changed, and not what it was."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """One run of one shift."""

    run: str
    """Unique id of the run."""
    shift: str
    flow_m3_h: float
    """Expected flow with all valves of the shift open."""
    main_l: float
    """Water in the shared main."""
    prewet_l: float
    inject_l: float
    """Water of the whole of INJECT, rinses between channels included."""
    flush_l: float
    """Water after the last injected litre before the path counts as flushed."""
    water_l: float
    """Water of the whole run; what the flush leaves is watered after it."""
    blocks: tuple[BlockPlan, ...]
    channels: tuple[ChannelPlan, ...]
    source: str = ""
    """The water analysis that holds for the water; empty for none."""
    flush_ec_ms_cm: float = 0.0
    """The line counts as clear once its EC is this close to what it was before INJECT; 0: EC cannot tell."""
    flush_most_l: float = 0.0
    """Water after the last injected litre at which FLUSH ends although EC is not back."""
    inhibited_by: tuple[str, ...] = ()
    """Contacts of the site's weather that keep it from beginning."""
    ec_seen_ms_cm: float = 0.0
    """The least rise of the line's EC that its probes can tell from none; 0 where there are none."""
    ec_rise_most_ms_cm: float = 0.0
    """A rise above this is clearly more than was planned at any moment of INJECT; 0: EC cannot tell."""
    calibrated_pct: Mapping[str, float] = field(default_factory=dict)
    """k = 2 of a reading, in percent of it, of instruments that were calibrated: main.water, main.line_ec and
    injector.<name>. The class of the others stands."""
    line_ec_most_ms_cm: float = 0.0
    """The line's EC, the water's own included, that a crop of the shift does not bear; 0 where no crop says so."""


def parse_recipe(content: Mapping[str, Any]) -> Recipe:
    """Return the recipe that the ledger kept as JSON. Raises KeyError or TypeError for another release's form."""
    blocks = tuple(BlockPlan(**{**block, "path": LinePath(**block["path"])}) for block in content["blocks"])
    channels = tuple(ChannelPlan(**channel) for channel in content["channels"])
    inhibited_by = tuple(content.get("inhibited_by", ()))  # a release before this had none
    return Recipe(**{**content, "blocks": blocks, "channels": channels, "inhibited_by": inhibited_by})
