"""Panel brightness (Linux, Documentation/ABI/stable/sysfs-class-backlight).

Only read here. Several entries may drive one panel; which to believe is the order of that document: firmware,
then platform, then raw.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from agent.machine.linux.files import Tree, first, not_understood
from reports.model.evidence import Absent, Reading

CLASS: Final = "/sys/class/backlight"
ORDER: Final = ("firmware", "platform", "raw")


@dataclass(frozen=True, slots=True)
class Backlight:
    """One entry. `brightness` is the share of the highest step, 0 to 1; `lit` whether it has power."""

    id: str
    folder: str
    type: str
    steps: Reading | Absent
    brightness: Reading | Absent
    lit: Reading | Absent


def backlights(tree: Tree) -> tuple[Backlight, ...] | Absent:
    """Every entry, the one to believe first."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    found = (_backlight(tree, name) for name in names)
    return tuple(sorted(found, key=lambda each: ORDER.index(each.type) if each.type in ORDER else len(ORDER)))


def _backlight(tree: Tree, name: str) -> Backlight:
    folder = f"{CLASS}/{name}"
    steps = tree.integer(f"{folder}/max_brightness")
    return Backlight(
        name, folder, tree.words(f"{folder}/type"), steps, _share(tree, folder, steps), _lit(tree, folder)
    )


def _share(tree: Tree, folder: str, steps: Reading | Absent) -> Reading | Absent:
    now = first(tree.integer(f"{folder}/actual_brightness"), tree.integer(f"{folder}/brightness"))
    if isinstance(now, Absent) or isinstance(steps, Absent):
        return now if isinstance(now, Absent) else steps
    if not 0 <= int(now.value) <= int(steps.value) or steps.value == 0:
        return not_understood(f"{now.value} of {steps.value}", now.source)
    return Reading(int(now.value) / int(steps.value), "", now.source)


def _lit(tree: Tree, folder: str) -> Reading | Absent:
    """`bl_power`: 0 is on, 1 to 4 are degrees of off (FB_BLANK_*, linux/fb.h)."""
    power = tree.integer(f"{folder}/bl_power")
    return power if isinstance(power, Absent) else Reading(power.value == 0, "", power.source)
