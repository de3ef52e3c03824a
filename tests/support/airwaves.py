"""Messages of nl80211 as the kernel would send them, byte by byte."""

from __future__ import annotations

import csv
import struct
from pathlib import Path
from typing import Any

with (Path(__file__).parents[1] / "vectors" / "uapi" / "uapi.csv").open(newline="") as file:
    UAPI = {row["name"]: int(row["value"], 0) for row in csv.DictReader(file)}

NESTED = 0x8000


def attribute(number: int, payload: bytes) -> bytes:
    """One netlink attribute, padded to four bytes."""
    length = 4 + len(payload)
    return struct.pack("=HH", length, number) + payload + bytes(-length % 4)


def chains(signals: dict[int, int]) -> bytes:
    return b"".join(attribute(chain, struct.pack("b", signal)) for chain, signal in signals.items())


def network(
    sender: str,
    dbm: float | None,
    signals: dict[int, int] | None = None,
    seen_ms: int = 100,
    mhz: int | None = None,
) -> Any:
    """One network of a scan dump; some drivers tell no level of the whole frame."""
    bss = attribute(UAPI["NL80211_BSS_BSSID"], bytes.fromhex(sender))
    if dbm is not None:
        bss += attribute(UAPI["NL80211_BSS_SIGNAL_MBM"], struct.pack("=i", round(dbm * 100)))
    if mhz is not None:
        bss += attribute(UAPI["NL80211_BSS_FREQUENCY"], struct.pack("=I", mhz))
    bss += attribute(UAPI["NL80211_BSS_SEEN_MS_AGO"], struct.pack("=I", seen_ms))
    if signals is not None:
        bss += attribute(UAPI["NL80211_BSS_CHAIN_SIGNAL"] | NESTED, chains(signals))
    return message(UAPI["NL80211_CMD_NEW_SCAN_RESULTS"], attribute(UAPI["NL80211_ATTR_BSS"] | NESTED, bss))


def station(sender: str, dbm: int, signals: dict[int, int]) -> Any:
    """One station of a station dump."""
    info = attribute(UAPI["NL80211_STA_INFO_SIGNAL"], struct.pack("b", dbm))
    info += attribute(UAPI["NL80211_STA_INFO_CHAIN_SIGNAL"] | NESTED, chains(signals))
    body = attribute(UAPI["NL80211_ATTR_MAC"], bytes.fromhex(sender))
    return message(
        UAPI["NL80211_CMD_NEW_STATION"], body + attribute(UAPI["NL80211_ATTR_STA_INFO"] | NESTED, info)
    )


def radio_of(phy: int, bands: list[list[tuple[int, bool]]]) -> Any:
    """One message of a dump of radios: for each band its frequencies, MHz, and whether each is allowed."""
    told = b"".join(
        attribute(place | NESTED, attribute(UAPI["NL80211_BAND_ATTR_FREQS"] | NESTED, _frequencies(band)))
        for place, band in enumerate(bands)
    )
    body = attribute(UAPI["NL80211_ATTR_WIPHY"], struct.pack("=I", phy))
    body += attribute(UAPI["NL80211_ATTR_WIPHY_BANDS"] | NESTED, told)
    return message(UAPI["NL80211_CMD_NEW_WIPHY"], body)


def _frequencies(band: list[tuple[int, bool]]) -> bytes:
    return b"".join(
        attribute(
            place | NESTED,
            attribute(UAPI["NL80211_FREQUENCY_ATTR_FREQ"], struct.pack("=I", mhz))
            + (b"" if allowed else attribute(UAPI["NL80211_FREQUENCY_ATTR_DISABLED"], b"")),
        )
        for place, (mhz, allowed) in enumerate(band)
    )


def message(command: int, attributes: bytes) -> Any:
    """Decoded by pyroute2, as its socket hands it over."""
    from pyroute2.netlink.nl80211 import nl80211cmd

    body = struct.pack("=BBH", command, 1, 0) + attributes
    decoded = nl80211cmd(struct.pack("=IHHII", 16 + len(body), 28, 0, 0, 0) + body)
    decoded.decode()
    return decoded
