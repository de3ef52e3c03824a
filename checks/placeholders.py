"""Texts that firmware holds where nobody wrote anything: they name no unit and no part.

DSP0134 lets a maker leave a string out; many write one of these instead (common practice, no source).
A UUID of all zeros is "not set", of all ones "not present" (DSP0134 7.2.1); the two others below are
examples that were left in firmware sources and are found on boards of many makers (from memory).
"""

from __future__ import annotations

from typing import Final

_TEXTS: Final = frozenset(
    {
        "",
        "0",
        "asset tag",
        "asset-1234567890",
        "base board serial number",
        "chassis serial number",
        "default",
        "default string",
        "empty",
        "fill by oem",
        "invalid",
        "n/a",
        "na",
        "nil",
        "no asset tag",
        "no serial",
        "none",
        "not applicable",
        "not available",
        "not set",
        "not specified",
        "null",
        "o.e.m.",
        "oem",
        "part number",
        "product name",
        "serial number",
        "sku",
        "sku number",
        "system product name",
        "system serial number",
        "system sku",
        "system version",
        "tbd",
        "to be filled by o.e.m",
        "to be filled by o.e.m.",
        "to be filled by oem",
        "undefined",
        "unknown",
        "unspecified",
    }
)

_COUNTING: Final = frozenset({"0123456789", "123456789", "1234567890", "12345678", "1234567"})

_UUIDS: Final = frozenset({"03000200-0400-0500-0006-000700080009", "12345678-1234-5678-90ab-cddeefaabbcc"})


def is_placeholder(value: str) -> bool:
    """Whether `value` stands for nothing: blank, a phrase of the firmware's maker, counting, or one
    character over and over (zeros, `xxxx`, `FF…`)."""
    plain = " ".join(value.casefold().split())
    characters = set(plain) - set(" -._/:")
    return (
        plain in _TEXTS
        or plain in _COUNTING
        or plain in _UUIDS
        or (len(characters) <= 1 and (len(plain) > 1 or not characters))
    )
