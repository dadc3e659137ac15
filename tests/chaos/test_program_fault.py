"""P6 of the chaos list: the program itself has a fault, and a scan raises."""

from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.control.decide import decide
from daemon.control.states import Phase
from daemon.runtime import scan
from tests.chaos.plants import chaos_plant
from tests.night.spoilt import is_active

pytestmark = pytest.mark.chaos


@pytest.mark.parametrize("times", [1, 10_000], ids=["once", "for good"])
@pytest.mark.parametrize("phase", list(Phase))
def test_p6_a_scan_that_raises(phase: Phase, times: int, tmp_path: Path) -> None:
    """The daemon ends as it does after any fault: in order where it still can, safe outputs where not.

    The next one shows what is owed, and starts nothing by itself.
    """

    async def night() -> None:
        async with chaos_plant(tmp_path, counts=False) as plant:
            run = (await plant.begin(phase)).decision.state.run
            assert run is not None
            plant.plans_l.append(run.recipe.channels[0].stock_l)
            left = [times]

            def faulty(*arguments: Any) -> Any:
                if left[0]:
                    left[0] -= 1
                    raise ZeroDivisionError("a fault of the program")
                return decide(*arguments)

            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(scan, "decide", faulty)
                with pytest.raises(ZeroDivisionError):
                    await plant.scan()
                try:
                    await plant.spoilt.service.stop()
                except ZeroDivisionError:
                    assert left[0], "it could have stopped in order"
            truth = await plant.truth()
            assert not any((*truth["outputs"].values(), *truth["contactors"].values())), truth["outputs"]
            await plant.rise()
            for _ in range(10):
                assert not is_active(await plant.scan())
            owed = {item.segment for item in plant.spoilt.service.scanner.state.lines.owed}
            assert owed == ({"main", "creek"} if phase in (Phase.INJECT, Phase.FLUSH) else set())

    uvloop.run(night())
