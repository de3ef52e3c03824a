"""The bench reference: taken on a known-good computer of the shop, found again at the bench.

It lies at the root of the bench folder or of the stick; that of rehearsals has a name of its own. The newest
is in use; an older one is kept beside it under the moment it was taken, and nothing is overwritten.
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from checks.bench_reference import age_of, reference_limits
from checks.machine import Machine, Network
from checks.measures.air import digest_of, place_of
from checks.wireless.scan import by_bands, loudness
from reports.canonical import digest
from reports.codec import bench_reference_from, read_json, to_json
from reports.errors import DocumentError, Fault
from reports.files import sync_folder, write_new
from reports.model.bench import SCHEMA, AccessPoint, Band, BenchReference
from reports.model.evidence import Absent, Reading
from reports.model.record import BenchNote, Source
from reports.utc import utc_text

SCANS: Final = 10
"""A minute of the air, so that the median drops several stray frames."""

FRAMES_LEAST: Final = 5
"""Half of the scans: what is heard less often is no ground to judge others on."""

NAMES: Final = {
    Source.LIVE: "bench-reference.json",
    Source.REHEARSAL: "bench-reference.rehearsal.json",
    Source.RECORDED: "bench-reference.recorded.json",
}


@dataclass(frozen=True, slots=True)
class Found:
    """A bench reference, and the digest of the document it was read from."""

    reference: BenchReference
    digest: str


def take(
    machine: Machine,
    *,
    ambient: Reading | Absent,
    clock: Reading | Absent,
    valid_days: int,
    salt: str | None = None,
) -> BenchReference:
    """What the radios of `machine`, known to be good, hear; DocumentError where that is nothing."""
    key = salt or secrets.token_hex(16)
    taken = utc_text(machine.clock.utc())
    heard = tuple(_loudest(_networks(machine), key))
    if not heard:
        raise _nothing_heard("no network was heard often enough", "switch on the bench's access point")
    return BenchReference(
        schema=SCHEMA,
        id=f"bench-{taken[:10]}-{digest_of(taken, key)[:6]}",
        taken=taken,
        valid_days=valid_days,
        salt=key,
        heard=heard,
        ambient=ambient,
        clock=clock,
        source=machine.source,
    )


def _networks(machine: Machine) -> list[Network]:
    """Of every radio that could listen; DocumentError says why none could."""
    radios = machine.radios()
    if isinstance(radios, Absent):
        raise _nothing_heard(f"the radios could not be listed: {radios.why}", "use another computer")
    answers = [machine.networks(radio.id, SCANS) for radio in radios]
    heard = [answer for answer in answers if not isinstance(answer, Absent)]
    if not heard:
        silent = next((answer for answer in answers if isinstance(answer, Absent)), None)
        why = f"its radio could not listen: {silent.why}" if silent else "it has no wireless adapter"
        raise _nothing_heard(why, "run as root on a computer whose wireless is switched on")
    return [network for networks in heard for network in networks]


def _loudest(networks: Iterable[Network], salt: str) -> Iterator[AccessPoint]:
    """The loudest steady network of each band."""
    by_band = by_bands(network for network in networks if network.frames >= FRAMES_LEAST)
    for band in Band:
        if band not in by_band:
            continue
        loudest = max(by_band[band], key=loudness)
        place = place_of(loudest.frequency_mhz)
        assert place is not None, "by_bands leaves other frequencies out"
        assert isinstance(loudest.signal, Reading), "by_bands leaves these out"
        yield AccessPoint(band, digest_of(loudest.sender, salt), place[1], loudest.signal, loudest.frames)


def _nothing_heard(found: str, hint: str) -> DocumentError:
    fault = Fault("", found, "a network heard on one band at least", "bench-unheard", hint)
    return DocumentError("the bench", (fault,))


# -- keeping and finding it --------------------------------------------------------------------------


def keep(root: Path, reference: BenchReference) -> Path:
    """Write it as the one in use; the one before is put beside it."""
    raw = to_json(reference)
    bench_reference_from(raw, "the bench reference to be written")
    path = root / NAMES[reference.source]
    root.mkdir(parents=True, exist_ok=True)
    if path.exists():
        _put_aside(path)
    write_new(path, json.dumps(raw, indent=1, ensure_ascii=False).encode() + b"\n", mode=0o600)
    return path


def _put_aside(path: Path) -> None:
    """Under the first free name; a cut between this and the new one leaves a bench without, which is said."""
    number = 1
    while (aside := path.with_name(f"{path.stem}.before-{number}.json")).exists():
        number += 1
    os.rename(path, aside)
    sync_folder(path.parent)


def load_reference(root: Path, source: Source) -> Found | None:
    """The one in use for `source`, None without; DocumentError where it is none, or of another source."""
    path = root / NAMES[source]
    if not path.exists():
        return None
    raw = read_json(path, "bench reference")
    reference = bench_reference_from(raw, f"bench reference {path}")
    if reference.source is not source:
        found, allowed = f"it was taken of another source ({reference.source})", source.value
        fault = Fault("/source", found, allowed, "reference-other-source", "take it again")
        raise DocumentError(f"bench reference {path}", (fault,))
    return Found(reference, digest(raw))


def note(found: Found | None, now: datetime) -> BenchNote | None:
    """What a report says of it; no digest of an address, and not their key."""
    if found is None:
        return None
    it = found.reference
    return BenchNote(
        id=it.id,
        taken=it.taken,
        valid_days=it.valid_days,
        age=age_of(it, now),
        values=tuple(limit for limit in reference_limits(it) if limit.unit == "dBm"),
        ambient=it.ambient,
        clock=it.clock,
        digest=found.digest,
    )
