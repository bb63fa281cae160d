"""A plan draft from what was found on a bench: what the devices say, and TODO where only a person knows."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from cornerrun.bench.pmbus.discover import FoundDevice, FoundPage
from cornerrun.bench.scan import Scan
from cornerrun.units import Kind, show

__all__ = ["DraftRail", "Learned", "draft_rails", "draft_text"]

_ALIKE = 0.02  # chosen: a channel within 2 % of what a page's ADC reads may well be that rail
_ACCURACY = 0.005  # chosen: 0.5 %, what most parts claim over temperature
_USUAL_MARGIN = 0.03  # common practice, no source: a screening margin that every load stands
_HIGHEST_MARGIN = 0.05
_ROOM = 0.01  # chosen: between the outermost level and the proposed hard limit


@dataclass(frozen=True, kw_only=True)
class Learned:
    """How one rail settled after a step: what its band has to hold, and how long it took; None: did not settle."""

    band_ratio: float
    settle_s: float | None


@dataclass(frozen=True, kw_only=True)
class DraftRail:
    """A rail of the draft: its name, where it comes from, its nominal; without ``page`` only the meter sees it."""

    name: str
    nominal_v: float
    device: str | None
    page: FoundPage | None
    doubt: str = ""


def draft_rails(scan: Scan) -> tuple[DraftRail, ...]:
    """Give every page that makes a voltage the name of the channel that reads the same, and every channel a rail."""
    left = dict(scan.channels_v)
    rails = []
    for name, device in device_names(scan).items():
        for page in device.rails:
            reading_v = page.volts("READ_VOUT") or page.asked_v or 0.0
            near = sorted(left, key=lambda channel: abs(left[channel] - reading_v))
            alike = [channel for channel in near if abs(left[channel] - reading_v) <= _ALIKE * reading_v]
            doubts = [page.doubt] if page.doubt else []
            if len(alike) > 1:
                doubts.append(f"{', '.join(alike)} read alike: the wiring proof tells")
            doubt = "; ".join(doubts)
            rail = alike[0] if alike else f"{name}_{page.page}"
            left.pop(rail, None)
            rails.append(
                DraftRail(name=rail, nominal_v=_rounded(page.asked_v or 0.0), device=name, page=page, doubt=doubt)
            )
    rails += [
        DraftRail(name=channel, nominal_v=_rounded(abs(volts)), device=None, page=None)
        for channel, volts in left.items()
        if _rounded(abs(volts)) > 0
    ]
    return tuple(rails)


def device_names(scan: Scan) -> Mapping[str, FoundDevice]:
    """Name the devices in the order in which they were found: PM1, PM2, ..."""
    return {f"PM{index}": device for index, device in enumerate((d for d in scan.devices if d.rails), 1)}


def draft_text(
    scan: Scan,
    *,
    bench: str | None,
    learned: Mapping[str, Learned] | None = None,
) -> str:
    """Write the draft as YAML.

    ``bench`` is the bench file as the draft shall name it; None leaves it out. ``learned`` are settle figures by rail.
    """
    rails, found = draft_rails(scan), learned or {}
    scan_s = scan.profile.scan_s
    slowest_s = max((item.settle_s for item in found.values() if item.settle_s is not None), default=0.0)
    timeout_s = max(10 * slowest_s, 20 * scan_s) if found else 2.0
    lines = [
        "# A draft made by `cornerrun discover` from what devices say. Each TODO is for a person who knows the board.",
        "format: 1",
        "title: TODO what this plan is for",
        "board: {name: TODO the board's name, revision: TODO}",
        *(
            [f"bench: {quoted(bench)}"]
            if bench
            else ["# TODO bench: the bench file, once its channels name these rails"]
        ),
        "",
        "devices:",
        *_device_lines(scan),
        "",
        *_default_lines(timeout_s, scan_s, is_learned=bool(found)),
        "rails:",
    ]
    for rail in rails:
        lines += _rail_lines(rail, found.get(rail.name), scan_s, timeout_s)
    lines += [
        "",
        "# Each rail alone by a small step before anything is margined: right page, right direction, right channel.",
        "proof: {step: 1 %, coupling: 0.2 %}",
        "",
        "# TODO groups, and between_rails: differences that must hold at every instant (back-powering, tracking)",
        "corners:",
        "  control_points: {first: true, every: 10, last: true, drift: 0.1 %}",
        *_scheme_lines(rails),
        "",
        "# TODO checks: a run without one shows voltages only, never that the board works. For example:",
        "# checks:",
        '#   - {name: memory test, python: "my_checks.py:memory_test", trials: 30, timeout: 5 s}',
        "",
        "criteria:",
        "  voltage: {window: 1 %} # TODO what the loads need",
        "",
    ]
    return "\n".join(lines)


def quoted(text: str) -> str:
    """Write a text so that YAML reads exactly it."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'


def _device_lines(scan: Scan) -> Iterable[str]:
    for name, device in device_names(scan).items():
        identity = [
            f"{field}: {quoted(device.texts[field])}"
            for field in ("maker", "model", "revision")
            if device.texts.get(field, "").strip()
        ]
        serial = device.texts.get("serial", "").strip()
        told = f" # serial {quoted(serial)}: not pinned, it differs from unit to unit" if serial else ""
        modes = {page.registers["VOUT_MODE"] for page in device.rails}
        mode = f", vout_mode: 0x{modes.pop():02X}" if len(modes) == 1 else ""
        yield (
            f"  {name}: {{bus: {quoted(device.bus)}, address: 0x{device.address:02X}, profile: {scan.profile.name}"
            f"{mode}, identity: {{{', '.join(identity)}}}}}{told}"
        )
        if not device.commands:
            yield f"  # TODO QUERY does not work on {name}: write a profile that says which registers it has"


def _default_lines(timeout_s: float, scan_s: float, *, is_learned: bool) -> Iterable[str]:
    source = "learned from a 1 % step" if is_learned else "TODO measure, or let `cornerrun discover --learn` do it"
    return (
        f"# Settling: {source}. stable_for is three conversions of the devices' own ADC.",
        "defaults:",
        (
            f"  rail: {{accuracy: {_share(_ACCURACY)}, settle: {{band: {_share(_ACCURACY)}, "
            f"stable_for: {_time(3 * scan_s)}, timeout: {_time(timeout_s)}}}}}"
        ),
    )


def _rail_lines(rail: DraftRail, learned: Learned | None, scan_s: float, timeout_s: float) -> Iterable[str]:
    doubt = f" # TODO {rail.doubt}" if rail.doubt else ""
    yield f"  - name: {quoted(rail.name)}{doubt}"
    yield f"    nominal: {_volts(rail.nominal_v)}"
    if rail.page is None or rail.device is None:
        yield "    why_fixed: TODO only the meter sees it; does it follow another rail (tracks)?"
        low, high = 1 - 0.05, 1 + 0.05
    else:
        up, down = _margins(rail)
        yield f"    margin: {{high: {_share(up)}, low: {_share(down)}}} # TODO what the test asks for"
        yield f"    power: {{device: {rail.device}, page: {rail.page.page}}}"
        if learned is not None:
            took = "did not settle" if learned.settle_s is None else f"took {_time(learned.settle_s)}"
            yield (
                f"    settle: {{band: {_share(learned.band_ratio)}, stable_for: {_time(3 * scan_s)}, "
                f"timeout: {_time(timeout_s)}}} # {took}"
            )
        limits = _device_limits(rail)
        if limits:
            yield f"    device_limits: {{{', '.join(f'{name}: {_volts(v)}' for name, v in limits.items())}}}"
        low, high = 1 - down - _ACCURACY - _ROOM, 1 + up + _ACCURACY + _ROOM
    yield (
        f"    hard_limits: {{min: {_volts(_rounded(rail.nominal_v * low))}, "
        f"max: {_volts(_rounded(rail.nominal_v * high))}}} # TODO from the loads' data sheets; this is only a proposal"
    )


def _margins(rail: DraftRail) -> tuple[float, float]:
    """The margins that the device holds, where they are reasonable; less where its own limits stand in the way."""
    assert rail.page is not None
    page, nominal_v = rail.page, rail.nominal_v
    found = []
    for name, sign, limits in (
        ("VOUT_MARGIN_HIGH", 1.0, ("VOUT_OV_WARN_LIMIT", "VOUT_OV_FAULT_LIMIT", "VOUT_MAX")),
        ("VOUT_MARGIN_LOW", -1.0, ("VOUT_UV_WARN_LIMIT", "VOUT_UV_FAULT_LIMIT", "VOUT_MIN", "POWER_GOOD_OFF")),
    ):
        volts = page.volts(name)
        margin = round(sign * (volts / nominal_v - 1.0), 3) if volts is not None else _USUAL_MARGIN
        if not 0.01 <= margin <= _HIGHEST_MARGIN:
            margin = _USUAL_MARGIN
        walls = [sign * (wall / nominal_v - 1.0) for limit in limits if (wall := page.volts(limit))]
        room = min((wall for wall in walls if wall > 0), default=1.0) - 2 * _ACCURACY - _ROOM
        found.append(max(0.01, min(margin, int(room * 1000) / 1000)))
    return found[0], found[1]


def _device_limits(rail: DraftRail) -> Mapping[str, float]:
    assert rail.page is not None
    names = {
        "vout_max": "VOUT_MAX",
        "ov_fault": "VOUT_OV_FAULT_LIMIT",
        "ov_warn": "VOUT_OV_WARN_LIMIT",
        "uv_warn": "VOUT_UV_WARN_LIMIT",
        "uv_fault": "VOUT_UV_FAULT_LIMIT",
        "vout_min": "VOUT_MIN",
        "power_good_off": "POWER_GOOD_OFF",
    }
    found = {key: rail.page.volts(register) for key, register in names.items()}
    return {key: volts for key, volts in found.items() if volts is not None and volts > 0}


def _scheme_lines(rails: Sequence[DraftRail]) -> Iterable[str]:
    if not any(rail.page is not None for rail in rails):
        return ("  schemes: [] # TODO nothing was found that could be moved",)
    return ("  schemes:", "    - all_rails: [high, low]", "    - single_rail: [high, low]")


def _rounded(volts: float) -> float:
    """Round to what a person would have written: the least digits within half a per mille."""
    for digits in range(5):
        if abs(round(volts, digits) - volts) <= 5e-4 * abs(volts):
            return round(volts, digits)
    return round(volts, 5)


def _volts(volts: float) -> str:
    return f"{volts:.6g} V"


def _share(ratio: float) -> str:
    return f"{ratio * 100:.4g} %"


def _time(duration_s: float) -> str:
    return show(duration_s, Kind.TIME, digits=3)
