"""The words of the customer's page: checks, verdicts, values and limits as a customer would say them.

No term here needs a manual. What has no entry falls back to plain words made of its id.
"""

from __future__ import annotations

from typing import Final

from reports.model.evidence import Reading, Value
from reports.model.finding import Finding, Limit, Origin, Verdict, Way
from reports.model.order import Action, Condition, Contents
from reports.model.record import Source
from reports.model.verdict import UnitVerdict
from reports.utc import read_utc

UNIT_VERDICTS: Final = {
    UnitVerdict.READY: ("READY", "Every check that this repair called for was passed."),
    UnitVerdict.READY_WITH_CONCESSIONS: (
        "READY, WITH EXCEPTIONS",
        "Every check that this repair called for was passed, but for those that a named person accepted as "
        "they are. They are listed below.",
    ),
    UnitVerdict.HOLD: (
        "NOT READY",
        "A check that this repair called for has failed. The computer stays in the workshop until that is "
        "put right.",
    ),
    UnitVerdict.INCOMPLETE: (
        "NOT FINISHED",
        "No check that this repair called for has failed, but not all of them could be answered.",
    ),
}

SOURCES: Final = {
    Source.LIVE: "",
    Source.REHEARSAL: "REHEARSAL. No real computer was measured: this is practice, not proof of a repair.",
    Source.RECORDED: "RECORDING. Played back from a recording: no computer was measured for this page.",
}

VERDICTS: Final = {
    Verdict.PASS: "Passed",
    Verdict.FAIL: "FAILED",
    Verdict.INCONCLUSIVE: "Could not be measured",
    Verdict.NOT_APPLICABLE: "Does not apply here",
}

WAYS: Final = {
    Way.INSTRUMENT: "measured",
    Way.INFERRED: "worked out from measurements",
    Way.OBSERVED: "seen or heard by a person",
}

ORIGINS: Final = {
    Origin.ORDER_LINE: "as set in the work order",
    Origin.SERVICE_MAP: "from the service instructions",
    Origin.RATING: "the part's own rating",
    Origin.STANDARD: "a published standard",
    Origin.LEARNT: "from what this workshop measured on computers like it",
    Origin.BENCH: "a known-good computer at this workshop's bench",
    Origin.DEFAULT: "this workshop's usual limit",
    Origin.BASELINE: "as measured when the computer came in",
}

ACTIONS: Final = {
    Action.REPLACED: "replaced",
    Action.REFITTED: "taken out and put back",
    Action.SERVICED: "serviced",
    Action.UPDATED: "software of the part updated",
}

CONDITIONS: Final = {
    Condition.NEW: "new part",
    Condition.REFURBISHED: "refurbished part",
    Condition.USED: "used part",
    Condition.OWNERS: "your own part",
}

CONTENTS: Final = {
    Contents.OWNERS: "Your files should be on it.",
    Contents.BLANK: "It is handed back empty.",
    Contents.IMAGED: "A fresh system was put on it.",
}

CHECKS: Final = {
    "audio.codec": "Does the sound part answer?",
    "battery.present": "Is the battery found?",
    "battery.charging": "Does the battery charge, or is it full enough not to?",
    "battery.wear": "How much of what it was made for does the battery still hold?",
    "board.counters": "Has the computer reported errors of its parts since it was switched on?",
    "board.increase": "Did the computer report errors of its parts while it was tried?",
    "board.clock": "Does the computer's own clock run, and know the date?",
    "board.firmware": "Does the main board run the right built-in software?",
    "board.identity": "Does the computer still identify itself as the one that came in?",
    "board.same": "Is the main board the one that came in, with the same built-in software?",
    "board.settings": "Are the start-up settings as they were when it came in?",
    "board.start": "Does the computer still know where your system starts from?",
    "board.tpm": "Is the chip that guards encrypted drives found?",
    "buttons.present": "Does the computer know of its power key?",
    "charger.mains": "Does power from the charger arrive?",
    "camera.frames": "Does the camera give a sharp, live picture?",
    "camera.present": "Is the camera found?",
    "camera.same": "Is the camera the one that came in, but for the work ordered?",
    "display.backlight": "Is the screen lit?",
    "display.panel": "Does the screen answer, and is what it says of itself sound?",
    "fan.spin": "Does the fan turn?",
    "fan.follow": "Does the fan do as it is told?",
    "graphics.heat": "Does the graphics chip stay cool enough while it draws?",
    "graphics.link": "Does the graphics card sit fully in its socket?",
    "graphics.present": "Is the graphics card found, and does its driver run it?",
    "keyboard.present": "Is the keyboard found?",
    "lid.present": "Is the lid's switch found?",
    "memory.capacity": "Is all of the memory there?",
    "memory.counters": "Has the memory reported errors since the computer was switched on?",
    "memory.modules": "Are the memory modules the right ones, each in its place?",
    "memory.pattern": "Does the memory keep what is written into it?",
    "memory.same": "Is the memory what came in, but for the work ordered?",
    "microphone.present": "Is there a way in for sound?",
    "pointer.present": "Is the pointer pad found?",
    "ports.network": "Is the network socket found, and does a cable in it reach something at full speed?",
    "processor.clock": "Does the processor keep its speed while it works hard?",
    "processor.compute": "Does the processor compute right while it works hard?",
    "processor.identity": "Is the processor the right one, with all of its cores?",
    "processor.throttle": "Is the processor free to run at its speed?",
    "readers.present": "Is the card reader found?",
    "storage.cable": "Does the drive's link carry data without errors, at full rate?",
    "storage.health": "What does the drive say of its own health?",
    "storage.layout": "Does the drive hold what it should?",
    "storage.link": "Does the drive sit fully in its socket, or its cable carry well?",
    "storage.present": "Is the drive found, with the right size?",
    "storage.read": "Can the drive be read, wherever a sample is taken?",
    "storage.same": "Are the drives those that came in, but for the work ordered?",
    "storage.whole": "Can all of the drive be read?",
    "thermal.load": "Does the computer stay cool enough while it works hard?",
    "thermal.plausible": "Do the temperature sensors give sensible values?",
    "touch.present": "Is the touch screen found?",
    "wireless.antennas": "Do all of its aerials receive?",
    "wireless.bluetooth": "Is the Bluetooth part found and switched on?",
    "wireless.present": "Is the wireless adapter found, and does its driver run it?",
    "wireless.scan": "Are wireless networks heard on every band?",
    "wireless.same": "Is the wireless adapter the one that came in, but for the work ordered?",
}
"""Check id: the question it answers. A test of the registry sees that none is missing."""

LIMITS: Final = {
    "adapters_least": "at least {} adapter found",
    "brightness_above": "above {}",
    "cameras_least": "at least {} camera found",
    "base_share_least": "at least {} of its base speed under load",
    "bad_share": "{} of the drive",
    "chain_gap_most": "no aerial more than {} weaker than the strongest",
    "bench_2_4_ghz": "a known-good computer hears {}",
    "bench_5_ghz": "a known-good computer hears {}",
    "bench_6_ghz": "a known-good computer hears {}",
    "bench_loss_most": "no more than {} weaker than a known-good computer hears",
    "drives_least": "at least {} drive found",
    "capacity_share_least": "counts as worn below {} of what it was made for",
    "capacity_share_most": "no more than {} times what it was made for",
    "clock_share_least": "at least {} of its speed allowed",
    "contrast_least": "some contrast: at least {} of it",
    "cores": "{} cores",
    "fan_turns_from": "has to turn from {} on",
    "frame_rate_share_least": "at least {} of its own rate",
    "light_least": "some light: at least {} of it",
    "moved_least": "seen in at least {} of the picture",
    "sharpness_least": "loses at least {} times its detail when blurred",
    "spoilt_share_most": "no more than {} of them spoilt",
    "found_least": "at least {} found",
    "highest_share_least": "at least {} of its highest speed under load",
    "highest_plausible": "not above {}",
    "lowest_plausible": "not below {}",
    "load_slowed_share_most": "slowed by heat for at most {} of the load",
    "level_least": "need not charge from {} of full on",
    "link_width_least": "at least {}",
    "local_time_most": "may be set to local time, up to {} off",
    "modules_least": "at least {} fitted",
    "not_before": "not before {}",
    "program_made": "not before {}",
    "missed_chance_most": "a bad part is missed in no more than {} of such samples",
    "reserved_bytes_most": "at most {} kept by the computer for itself",
    "read_time_most": "no place takes longer than {}",
    "safe_temperature": "below {}",
    "slowed_share_most": "slowed by heat for at most {} of the time",
    "spread_at_rest": "no more than {} away from the other sensors",
    "temperature_slope": "at most {}",
    "tried_share_least": "at least {} of the free memory tried",
    "wrong_values_most": "{} wrong values",
    "tick_most": "no more than {} off the pace",
    "thermal_resistance": "at most {}",
    "thermal_resistance_at_intake": "when the computer came in: {}",
    "contact_at_intake": "when the computer came in: {}",
    "contact_of_family": "a sound one: {}",
    "follows_heat": "has to follow the heat",
}
"""Name of a limit: how it bounds. Other names say it by `least`, `most`, `minimum` or `maximum`."""

_UNITS: Final = {
    "celsius": "°C",
    "K": "°C",
    "rpm": "turns a minute",
    "K/W": "°C for each watt",
    "MT/s": "million transfers a second",
    "K/s": "°C a second",
    "watts": "W",
    "joules": "J",
    "s": "seconds",
    "h": "hours",
    "percent": "%",
}


def question(finding: Finding) -> str:
    """What the check asks, in plain words."""
    known = CHECKS.get(finding.check)
    aspect = finding.check.partition(".")[2].replace("_", " ")
    return known or capital(f"{finding.part_name}: {aspect}")


def capital(words: str) -> str:
    """`words` with a capital letter first."""
    return f"{words[:1].upper()}{words[1:]}"


def sentence(words: str) -> str:
    """`words` as a sentence: capital letter first, full stop last; "" stays empty."""
    if not words:
        return ""
    stop = "" if words.endswith((".", "?", "!")) else "."
    return f"{capital(words)}{stop}"


def amount(value: Value, unit: str, kind: str = "") -> str:
    """A value with its unit: rounded as a reader wants it, never in powers of ten.

    Bytes become GB: of 10^9 bytes as drives are sold, of 2^30 for memory, as modules are.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return f"{value} {unit}".strip()
    if unit in ("bytes", "byte"):
        value, unit = value / (2**30 if kind == "memory" else 10**9), "GB"
    return f"{_number(value, unit)} {_UNITS.get(unit, unit.replace('_', ' '))}".strip()


def _number(value: float, unit: str) -> str:
    if unit == "celsius" and isinstance(value, float):
        rounded = f"{value:.1f}".removesuffix(".0")
    elif isinstance(value, int) or abs(value) >= 100:
        rounded = f"{value:,.0f}"
    else:
        rounded = f"{value:.2f}".rstrip("0").rstrip(".")
    return rounded.replace("-", "−")


def measured(reading: Reading, kind: str) -> str:
    """What was measured, with its unit."""
    return amount(reading.value, reading.unit, kind)


def bound(limit: Limit, kind: str) -> str:
    """A limit with its unit, and how it bounds; `Expected` for texts and for numbers without a side."""
    if isinstance(limit.value, bool | str | tuple):
        texts = limit.value if isinstance(limit.value, tuple) else (amount(limit.value, limit.unit, kind),)
        return f"Expected: {' or '.join(texts)}"
    return _side(limit.name).format(amount(limit.value, limit.unit, kind))


def _side(name: str) -> str:
    if name in LIMITS:
        return f"Limit: {LIMITS[name]}"
    if name.endswith("_least") or name.startswith("minimum"):
        return "Limit: at least {}"
    if name.endswith("_most") or name.startswith("maximum"):
        return "Limit: at most {}"
    return "Expected: {}"


def origin(limit: Limit) -> str:
    """Where a limit comes from; a standard or rating is named."""
    named = limit.origin in (Origin.STANDARD, Origin.RATING) and limit.note
    return f"{ORIGINS[limit.origin]} ({limit.note})" if named else ORIGINS[limit.origin]


def moment(text: str) -> str:
    """`25 November 2026, 09:45 UTC`; text that is no time stays as it is."""
    try:
        when = read_utc(text)
    except ValueError:
        return text
    return f"{when.day} {when:%B %Y, %H:%M} UTC"
