"""What a drive says of its own health, asked through smartctl (smartctl(8), --json).

- NVM Express Base Specification, SMART / Health Information log (02h): critical warning bits, spare,
  percentage used, media errors. The composite temperature is in kelvin there, smartctl gives celsius.
- ATA8-ACS: SMART RETURN STATUS is the drive's own verdict; an attribute whose value stands at or under its
  threshold is worn. What the other attributes count is not standardised: an id is taken only where
  smartctl's table gives it a name that means what we take it for (drivedb.h of smartmontools).
- what smartctl's exit status says, bit by bit: smartctl(8), EXIT STATUS.

Raw values hold several counts for some makers (`8 (2 0)`): the first is the count.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from typing import Any, Final

from agent.machine.linux.block import Disk
from agent.machine.linux.blockread import ASLEEP, Command, Said, ask, node
from agent.machine.linux.files import Tree, not_understood
from checks.machine import DriveHealth
from reports.model.evidence import LARGEST_INTEGER, Absent, Reading, Why

SOURCE: Final = "smartctl"

NOT_STARTED, NOT_OPENED, COMMAND_FAILED = 1, 2, 4
"""Bits 0 to 2 of the exit status. 3: the drive says that it is failing; 4: attributes at their threshold
now, 5: at some time; 6, 7: entries in its logs of errors and self-tests. Those come in the answer too."""

_COMMANDS: Final = {"sata": Command.SATA_HEALTH, "nvme": Command.NVME_HEALTH}

_WARNINGS: Final = (
    (1, "spare below its threshold"),
    (2, "temperature beyond its threshold"),
    (4, "reliability degraded"),
    (8, "read only"),
    (16, "backup of its volatile memory failed"),
    (32, "persistent memory unreliable"),
)
"""Bits of the critical warning, NVM Express Base Specification, log 02h, byte 0."""

_COUNTERS: Final = {
    "reallocated": (5, re.compile(r"Realloc|Retired|Bad_Block", re.IGNORECASE)),
    "pending": (197, re.compile(r"Pending", re.IGNORECASE)),
    "uncorrectable": (198, re.compile(r"Uncorrect", re.IGNORECASE)),
    "unrecovered": (187, re.compile(r"Uncorrect", re.IGNORECASE)),
    "interface_errors": (199, re.compile(r"CRC", re.IGNORECASE)),
}
_LIFE_LEFT: Final = re.compile(
    r"SSD_Life_Left|Percent_Lifetime_Remain|Media_Wearout_Indicator|Wear_Leveling_Count"
)
"""Attributes of solid-state drives whose value runs from 100 down to 0 (drivedb.h; common practice)."""

_MOST_ATTRIBUTES: Final = 30  # the table of ATA8-ACS has no room for more


def health(tree: Tree, disk: Disk) -> DriveHealth | Absent:
    """The health of `disk`; a drive that sleeps is left asleep (switched off)."""
    transport = disk.transport.value if isinstance(disk.transport, Reading) else ""
    said = ask(_COMMANDS.get(str(transport), Command.OTHER_HEALTH), node(tree, disk))
    return said if isinstance(said, Absent) else understood(said, disk.id)


def understood(said: Said, id: str) -> DriveHealth | Absent:
    """What smartctl said of the drive `id`."""
    try:
        told = json.loads(said.text)
    except (ValueError, RecursionError):
        return not_understood(said.text[:80].decode("ascii", "backslashreplace") or said.complaint, SOURCE)
    if not isinstance(told, dict):
        return not_understood(said.text[:80].decode("ascii", "backslashreplace"), SOURCE)
    if refusal := _refusal(said.status, told):
        return refusal
    missing = Absent(
        Why.DID_NOT_ANSWER if said.status & COMMAND_FAILED else Why.NOT_SUPPORTED,
        SOURCE,
        "a command to the drive failed" if said.status & COMMAND_FAILED else "the drive does not keep it",
    )
    return _health(_Told(told, missing), id)


def _refusal(status: int, told: Mapping[str, Any]) -> Absent | None:
    """Why smartctl has nothing to say of the drive, None where it has."""
    why = _messages(told)
    if status == ASLEEP:
        # smartctl calls it SLEEP where the question itself got no answer (seen with 7.3), which is no sleep
        asleep = "STANDBY" in why
        return Absent(Why.SWITCHED_OFF if asleep else Why.DID_NOT_ANSWER, SOURCE, why)
    if status & NOT_OPENED:
        denied = re.search(r"permi", why, re.IGNORECASE)
        return Absent(Why.NOT_PERMITTED if denied else Why.DID_NOT_ANSWER, SOURCE, why)
    if (
        status & NOT_STARTED
    ):  # our arguments are right, so: no way to ask a drive of this sort, or behind this bridge
        return Absent(Why.NOT_SUPPORTED, SOURCE, why)
    support = _under(told, "smart_support")
    if support.get("available") is False:
        return Absent(Why.NOT_SUPPORTED, SOURCE, "the drive keeps no record of its health")
    if support.get("enabled") is False:
        return Absent(Why.SWITCHED_OFF, SOURCE, "the drive's own monitoring is switched off")
    return None


def _messages(told: Mapping[str, Any]) -> str:
    listed = _under(told, "smartctl").get("messages")
    texts = [
        _under({"it": each}, "it").get("string") for each in (listed if isinstance(listed, list) else [])
    ]
    return "; ".join(text for text in texts if isinstance(text, str))[:200]


def _under(value: Mapping[str, Any], *names: str) -> dict[str, Any]:
    """The object at `names`, empty where there is none."""
    held: Any = value
    for name in names:
        held = held.get(name) if isinstance(held, dict) else None
    return held if isinstance(held, dict) else {}


class _Told:
    """What smartctl told, asked for by place; what is not there is `missing`."""

    def __init__(self, told: Mapping[str, Any], missing: Absent) -> None:
        self.told = told
        self.missing = missing

    def count(self, unit: str, *names: str) -> Reading | Absent:
        """The number at `names`, not below zero."""
        held = _under(self.told, *names[:-1]).get(names[-1])
        if held is None:
            return self.missing
        return _counted(held, unit, ".".join(names))

    def flag(self, *names: str) -> Reading | Absent:
        held = _under(self.told, *names[:-1]).get(names[-1])
        return Reading(held, "", SOURCE) if isinstance(held, bool) else self.missing

    def attributes(self) -> list[dict[str, Any]]:
        table = _under(self.told, "ata_smart_attributes").get("table")
        found = table if isinstance(table, list) else []
        return [each for each in found[:_MOST_ATTRIBUTES] if isinstance(each, dict)]


def _counted(held: object, unit: str, name: str) -> Reading | Absent:
    if isinstance(held, bool) or not isinstance(held, int) or not 0 <= held <= LARGEST_INTEGER:
        return not_understood(str(held)[:40], f"{SOURCE} {name}")
    return Reading(held, unit, f"{SOURCE} {name}")


def _health(told: _Told, id: str) -> DriveHealth:
    log = "nvme_smart_health_information_log"
    counters = {name: _attribute(told, *sought) for name, sought in _COUNTERS.items()}
    media_errors = told.count("", log, "media_errors")
    if isinstance(media_errors, Reading):
        counters["unrecovered"] = media_errors
    used = told.count("percent", log, "percentage_used")
    return DriveHealth(
        id=id,
        sound=told.flag("smart_status", "passed"),
        warnings=_warnings(told, log),
        worn=_worn(told),
        **counters,
        spare=told.count("percent", log, "available_spare"),
        spare_threshold=told.count("percent", log, "available_spare_threshold"),
        used=used if isinstance(used, Reading) else _life_used(told),
        hours=told.count("h", "power_on_time", "hours"),
        starts=told.count("", "power_cycle_count"),
        temperature=told.count("celsius", "temperature", "current"),
    )


def _warnings(told: _Told, log: str) -> Reading | Absent:
    bits = told.count("", log, "critical_warning")
    if isinstance(bits, Absent):
        return bits
    words = [words for bit, words in _WARNINGS if int(bits.value) & bit]
    rest = int(bits.value) & ~sum(bit for bit, _ in _WARNINGS)
    return Reading(", ".join([*words, f"unknown bits {rest:#x}"] if rest else words), "", bits.source)


def _worn(told: _Told) -> Reading | Absent:
    """Names of the attributes that stand at their maker's threshold now."""
    table = told.attributes()
    if not table:
        return told.missing
    worn = [str(each.get("name", ""))[:40] for each in table if each.get("when_failed") == "now"]
    return Reading(", ".join(worn), "", f"{SOURCE} ata_smart_attributes")


def _attribute(told: _Told, id: int, named: re.Pattern[str]) -> Reading | Absent:
    """The first count in the raw value of the attribute `id`, where its name is what we take it for."""
    for each in told.attributes():
        if each.get("id") == id and named.search(str(each.get("name", ""))):
            text = str(_under(each, "raw").get("string", ""))
            first = re.match(r"[0-9]{1,15}(?![0-9:hx])", text)
            source = f"attribute {id}"
            return (
                _counted(int(first[0]), "", source) if first else not_understood(text, f"{SOURCE} {source}")
            )
    return told.missing


def _life_used(told: _Told) -> Reading | Absent:
    """What a solid-state drive has used of its life, percent, from the value of the attribute that counts
    down to 0."""
    lefts = list(_values(told, _LIFE_LEFT))
    if not lefts:
        return told.missing
    left = min(lefts)
    return Reading(max(100 - left, 0), "percent", f"{SOURCE} ata_smart_attributes")


def _values(told: _Told, named: re.Pattern[str]) -> Iterable[int]:
    for each in told.attributes():
        value = each.get("value")
        if named.search(str(each.get("name", ""))) and isinstance(value, int):
            yield value
