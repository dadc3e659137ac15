"""What a scan shows of the stock beside its meter: the line's EC, and the level of the tank that it comes from."""

from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.states import Phase
from daemon.dosing.draw_down import DrawDown, followed
from daemon.dosing.pulse import Pulse, carried

_NO_PULSE = Pulse()


def watched(run: Run, facts: Facts, loading: frozenset[str], phase: Phase | None) -> Run:
    """Return the run with what this scan showed. `loading` names the channels whose stock enters the main."""
    run = run._replace(
        channels={
            name: channel._replace(level=_level(channel.level, facts, name, channel.injected_l, name in loading))
            for name, channel in run.channels.items()
        }
    )
    before_ms_cm = run.rise.before_ms_cm
    if phase is Phase.PREWET or not run.has_injected or before_ms_cm is None:
        return run
    visible = loading & {plan.channel for plan in run.recipe.channels if plan.ec_rise_ms_cm > 0.0}
    in_line = visible or run.in_line
    if not in_line:
        return run
    rise_ms_cm = None if facts.ec_rise_ms_cm is None else facts.ec_rise_ms_cm - before_ms_cm
    pulse = carried(run.pulses.get(in_line, _NO_PULSE), rise_ms_cm, facts.water_moved_l, facts.dt_s)
    return run._replace(pulses={**run.pulses, in_line: pulse}, in_line=in_line)


def _level(memory: DrawDown, facts: Facts, name: str, injected_l: float, is_loading: bool) -> DrawDown:
    channel = facts.channels[name]
    if channel.content_jumped:
        return memory._replace(is_lost=True)
    if not channel.content_good:
        return memory
    return followed(memory, channel.content_l, injected_l, facts.dt_s, is_drawing=is_loading)
