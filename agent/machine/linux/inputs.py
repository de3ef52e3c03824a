"""Keyboards, pointers, touch screens, lid switches and keys of the case, by what they can send.

Capabilities are the bit masks of the input class (Linux, Documentation/input/event-codes.rst; codes in
include/uapi/linux/input-event-codes.h): hexadecimal words of the kernel's `long`, highest first. What makes
a keyboard (every key from ESC to S), a pointer and a touch screen follows udev's input_id (systemd,
src/udev/udev-builtin-input_id.c), which is what desktops go by; game controllers are left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.machine.linux import usb
from agent.machine.linux.buspath import bus_path
from agent.machine.linux.files import Tree, gathered, known, not_understood
from reports.model.evidence import Absent, Reading

CLASS: Final = "/sys/class/input"

KEYBOARD, POINTER, TOUCH, LID, POWER = "keyboard", "pointer", "touch screen", "lid switch", "power key"

_LONG_BITS: Final = 64  # the words of a 32-bit kernel are shorter; benches run a 64-bit one

_ESC_TO_S: Final = frozenset(range(1, 32))
_KEY_POWER, _BTN_TOUCH, _BTN_TOOL_FINGER = 116, 0x14A, 0x145
_MOUSE_BUTTONS: Final = frozenset(range(0x110, 0x120))
_PENS: Final = frozenset((0x140, 0x14B))  # BTN_TOOL_PEN, BTN_STYLUS
_REL_X, _REL_Y, _ABS_X, _ABS_Y, _ABS_MT_X, _ABS_MT_Y = 0, 1, 0, 1, 0x35, 0x36
_EVERY_AXIS: Final = frozenset((0x2E, 0x2F))  # ABS_MT_SLOT and the unused code before it
_SW_LID, _PROP_DIRECT = 0, 1

_BLUETOOTH, _VIRTUAL = 0x05, 0x06
"""Bus types of what cannot be a part of the unit that a ribbon leads to (linux/input.h)."""


@dataclass(frozen=True, slots=True)
class Device:
    """One input device; `sorts` says what it is, several where it is several."""

    id: str
    name: Reading | Absent
    inside: Reading | Absent
    sorts: tuple[str, ...]


def devices(tree: Tree) -> tuple[Device, ...] | Absent:
    """Every input device that is one of our sorts; absent where one could not be asked what it sends."""
    names = tree.names(CLASS)
    if isinstance(names, Absent):
        return names
    folders = (f"{CLASS}/{name}" for name in names if re.fullmatch(r"input\d+", name))
    found = gathered(_device(tree, folder) for folder in folders)
    return found if isinstance(found, Absent) else tuple(device for device in found if device.sorts)


def _device(tree: Tree, folder: str) -> Device | Absent:
    masks = gathered(bits(tree, f"{folder}/{file}") for file in _MASKS)
    if isinstance(masks, Absent):
        return masks
    return Device(
        id=bus_path(tree, folder),
        name=known(tree.text(f"{folder}/name")),
        inside=_inside(tree, folder),
        sorts=_sorts(*masks),
    )


def _inside(tree: Tree, folder: str) -> Reading | Absent:
    bus = tree.words(f"{folder}/id/bustype")
    if bus in (f"{_BLUETOOTH:04x}", f"{_VIRTUAL:04x}"):
        return Reading(False, "", f"{folder}/id/bustype")
    return usb.inside(tree, folder)


Bits = frozenset[int]

_MASKS: Final = (*(f"capabilities/{name}" for name in ("key", "rel", "abs", "sw")), "properties")


def _sorts(keys: Bits, turns: Bits, places: Bits, switches: Bits, properties: Bits) -> tuple[str, ...]:
    area = _area(keys, places, _PROP_DIRECT in properties)
    found = {
        KEYBOARD: keys >= _ESC_TO_S,
        POINTER: POINTER in area or _mouse(keys, turns, places),
        TOUCH: TOUCH in area,
        LID: _SW_LID in switches,
        # a keyboard's driver claims every key that one may have: it says nothing of the case's button
        POWER: _KEY_POWER in keys and not keys >= _ESC_TO_S,
    }
    return tuple(sort for sort, is_one in found.items() if is_one)


def _area(keys: Bits, places: Bits, direct: bool) -> frozenset[str]:
    """What a surface that tells places is: touch pad, touch screen, neither where it wants a pen."""
    one, fingers = {_ABS_X, _ABS_Y} <= places, _fingers(places)
    if not (one or fingers) or keys & _PENS:
        return frozenset()
    if _BTN_TOOL_FINGER in keys and not direct:
        return frozenset((POINTER,))
    touched = _BTN_TOUCH in keys or direct
    # buttons beside one place are a mouse that tells where it is, as virtual machines have
    buttons = one and bool(keys & _MOUSE_BUTTONS)
    sorts = {POINTER: buttons, TOUCH: touched and (fingers or not buttons)}
    return frozenset(sort for sort, is_one in sorts.items() if is_one)


def _fingers(places: Bits) -> bool:
    """Whether fingers are placed. One that claims every axis there is (some receivers do) has no surface."""
    return {_ABS_MT_X, _ABS_MT_Y} <= places and not places >= _EVERY_AXIS


def _mouse(keys: Bits, turns: Bits, places: Bits) -> bool:
    """Buttons of a mouse and movement, or buttons alone beside another device that moves."""
    tablet = bool(keys & _PENS) and ({_ABS_X, _ABS_Y} <= places or _fingers(places))
    moves = {_REL_X, _REL_Y} <= turns or not {_ABS_X, _ABS_Y} <= places
    return bool(keys & _MOUSE_BUTTONS) and moves and not tablet


def bits(tree: Tree, path: str) -> Bits | Absent:
    """The numbers of the bits set in a capability mask, none where the device has no such file."""
    told = tree.sort(path)
    if isinstance(told, Absent):
        return told
    words = told.split()
    if not all(re.fullmatch(r"[0-9a-f]+", word) for word in words):
        return not_understood(told, path)
    whole = sum(int(word, 16) << _LONG_BITS * place for place, word in enumerate(reversed(words)))
    return frozenset(bit for bit in range(whole.bit_length()) if whole >> bit & 1)
