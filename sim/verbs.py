"""The pipe's verbs: one request in, one reply out. Whoever started the simulator owns both ends."""

import json
import math
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from sim.faults import FaultError
from sim.plant import ChargeError, Plant
from sim.stock import Batch
from sim.truth import truth
from sim.wire_proxy import Strike, WireFaultError, WireProxy

_OK = b'{"ok":true}\n'
_VERBS = ("advance", "charge", "dip", "fault", "truth", "quit", "wire")
_LONGEST_S = 1e6
_NO_PROXIES: Mapping[str, WireProxy] = MappingProxyType({})


class RequestError(ValueError):
    """A request that cannot be carried out; the text says what was got, what was expected, what to do."""


class Verbs:
    """Carries out requests on the plant; `quitting` is set once it has been asked to end."""

    def __init__(
        self,
        plant: Plant,
        advance: Callable[[float], None],
        requests: Callable[[], dict[str, int]],
        proxies: Mapping[str, WireProxy] = _NO_PROXIES,
    ) -> None:
        """Prepare. `proxies` are those that stand before a bus, by its name."""
        self.quitting = False
        self._plant = plant
        self._advance = advance
        self._requests = requests
        self._proxies = proxies
        self._do: dict[str, Callable[[Mapping[str, Any]], dict[str, Any]]] = {
            "advance": self._do_advance,
            "charge": self._do_charge,
            "dip": self._do_dip,
            "fault": self._do_fault,
            "truth": self._do_truth,
            "wire": self._do_wire,
            "quit": self._do_quit,
        }

    def answer(self, line: bytes) -> bytes:
        """Return the one reply to one line: JSON to JSON, a readable line to plain words."""
        if not line.lstrip().startswith(b"{"):
            return self._answer_words(line)
        try:
            reply = self._carry_out(_parsed(line))
        except (RequestError, FaultError, ChargeError, WireFaultError) as error:
            return _line({"ok": False, "error": str(error)})
        return _line({"ok": True, **reply}) if reply else _OK

    def _answer_words(self, line: bytes) -> bytes:
        try:
            request = _from_words(line.decode("utf-8", "replace").split())
            reply = self._carry_out(request)
        except (RequestError, FaultError, ChargeError, WireFaultError) as error:
            return f"error: {error}\n".encode()
        return (_in_words(reply) if request["do"] == "truth" else f"ok at {self._plant.time_s:.1f} s").encode() + b"\n"

    def _carry_out(self, request: Mapping[str, Any]) -> dict[str, Any]:
        verb = request.get("do")
        act = self._do.get(verb) if isinstance(verb, str) else None
        if act is None:
            raise RequestError(f"got do = {verb!r}; expected one of {', '.join(_VERBS)}")
        return act(request)

    def _do_advance(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self._advance(_number(request, "s", 0.0, _LONGEST_S))
        return {}

    def _do_charge(self, request: Mapping[str, Any]) -> dict[str, Any]:
        nutrients = request.get("nutrients_g_l")
        if not isinstance(nutrients, dict) or not nutrients:
            raise RequestError(f'got nutrients_g_l = {nutrients!r}; expected g/L by element, such as {{"N":31.0}}')
        batch = Batch(
            {name: _number(nutrients, name, 0.0, 1e4) for name in nutrients},
            _number(request, "product_g_l", 1e-6, 1e4),
            _number(request, "ec_ms_cm_per_g_l", 0.0, 100.0),
        )
        litres = _number(request, "litres", 0.0, 1e9)
        accuracy_pct = _number({"strength_accuracy_pct": 2.0, **request}, "strength_accuracy_pct", 0.0, 50.0)
        self._plant.charge(str(request.get("tank")), litres, batch, accuracy_pct)
        return {}

    def _do_dip(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Take the line's probe out and put it into something of `ms_cm`; without that, back into the line."""
        self._plant.dip(_number(request, "ms_cm", 0.0, 200.0) if "ms_cm" in request else None)
        return {}

    def _do_fault(self, request: Mapping[str, Any]) -> dict[str, Any]:
        on = _on(request)
        given = {key: value for key, value in request.items() if key not in ("do", "name", "on", "at_s", "for_s")}
        fault = self._plant.faults.check(str(request.get("name")), on, given)
        at_s = _number(request, "at_s", 0.0, math.inf) if "at_s" in request else self._plant.time_s
        end_s = at_s + _number(request, "for_s", 0.0, math.inf) if "for_s" in request else None
        self._plant.fault(fault, at_s)
        if end_s is not None:
            self._plant.fault(self._plant.faults.check(fault.name, not on, given), end_s)
        return {}

    def _do_truth(self, request: Mapping[str, Any]) -> dict[str, Any]:
        return {**truth(self._plant), "requests": self._requests()}

    def _do_wire(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Spoil a bus's transactions, or those of one `function`, from now on or so many `times`, each `every`th."""
        proxy = self._proxies.get(str(request.get("bus")))
        if proxy is None:
            known = ", ".join(self._proxies) or "none: start the simulator with --proxy"
            raise RequestError(f"got bus = {request.get('bus')!r}; expected one with a proxy: {known}")
        if not _on(request):
            proxy.strike = None
            return {}
        every, times = (int(_number({key: 1, **request}, key, 1, 1e9)) for key in ("every", "times"))
        function = int(_number({"function": 0, **request}, "function", 0, 127))
        proxy.timeout_s = _number({"timeout_s": proxy.timeout_s, **request}, "timeout_s", 0.001, 60.0)
        proxy.strike = Strike(
            str(request.get("fault")),
            when=lambda frame: function in (0, frame[7]),
            every=every,
            times=times if "times" in request else None,
        )
        return {}

    def _do_quit(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self.quitting = True
        return {}


def _parsed(line: bytes) -> dict[str, Any]:
    try:
        request = json.loads(line)
    except ValueError as error:
        raise RequestError(f'got a line that is not JSON ({error}); expected one such as {{"do":"truth"}}') from error
    return dict(request)


def _on(request: Mapping[str, Any]) -> bool:
    on = request.get("on", True)
    if not isinstance(on, bool):
        raise RequestError(f"got on = {on!r}; expected true or false")
    return on


def _number(request: Mapping[str, Any], key: str, low: float, high: float) -> float:
    value = request.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise RequestError(f"got {key} = {value!r}; expected a number from {low:g} to {high:g}")
    return float(value)


def _from_words(words: list[str]) -> dict[str, Any]:
    """Read `advance 60`, `fault airlock on`, `fault siphon on l_h=30`, `truth` and `quit`."""
    match words:
        case ["advance", seconds]:
            return {"do": "advance", "s": _plain(seconds)}
        case ["fault", name, "on" | "off" as state, *options]:
            pairs = [option.partition("=") for option in options]
            return {"do": "fault", "name": name, "on": state == "on", **{key: _plain(value) for key, _, value in pairs}}
        case ["truth" | "quit" as verb]:
            return {"do": verb}
    raise RequestError(
        f"got {' '.join(words)!r}; expected advance SECONDS, fault NAME on|off [KEY=VALUE...], truth, quit or JSON"
    )


def _plain(word: str) -> float | str:
    try:
        return float(word)
    except ValueError:
        return word


def _in_words(account: Mapping[str, Any]) -> str:
    blocks = [
        f"{name} delivered {_kg(block['delivered_kg'])}, in its pipes {_kg(block['in_pipes_kg'])}"
        for name, block in account["blocks"].items()
    ]
    on = [name for name, state in account["outputs"].items() if state] or ["nothing"]
    return (
        f"{account['time_s']:.1f} s; on: {', '.join(on)}; water {account['water_m3']:.3f} m3; {'; '.join(blocks)}; "
        f"lost {_kg(account['lost_kg'])}; balance {account['residual']:.1e}"
    )


def _kg(mass: Mapping[str, float]) -> str:
    return " ".join(f"{nutrient} {kg:.3f} kg" for nutrient, kg in mass.items()) or "nothing"


def _line(reply: Mapping[str, Any]) -> bytes:
    return json.dumps(reply, separators=(",", ":")).encode() + b"\n"
