"""Wireless: is the air heard on every band, as a known-good radio hears it at this bench?

A scan lists the networks in range (nl80211; channels and bands by IEEE 802.11-2020, 17.3.8.4 and annex E).
The bench reference says how loud the bench's access point is for a known-good radio, band by band. A band
fails only where nothing at all is heard on it, though the reference heard it strongly, the adapter may
listen at that very frequency, and another band shows that there is something to hear. Weak is no fault
here: where the adapter tells its antenna chains apart `wireless.antennas` looks for the lead; far below the
reference is inconclusive.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from checks.bench_reference import LEVELS, VALID_DAYS, expired, measured_age, reference_limits
from checks.check import Check, Subject
from checks.judging import CRAFT, cannot_tell, failed, not_applicable, number, passed, unread, without, worst
from checks.limits import strongest
from checks.machine import Machine, Network, Session
from checks.measures.air import digest_of, frequency_of, place_of
from reports.model.bench import AccessPoint, Band, BenchReference
from reports.model.evidence import Absent, Reading, Why
from reports.model.finding import Cannot, Depth, Judgement, Limit, Limits, Origin, Stage, Way
from reports.model.servicemap import PartKind

SCANS: Final = 3
"""As many as the median needs to drop one stray frame."""


@dataclass(frozen=True, slots=True)
class BandHeard:
    """What an adapter hears of one band.

    `usable`: it may listen there, at the reference's frequency where there is a reference. `level` is that of
    the bench's access point where it is known again, else of the strongest network, over `frames` frames,
    dBm; not there: nothing was heard.
    """

    band: Band
    usable: Reading | Absent
    level: Reading | Absent
    frames: int


@dataclass(frozen=True, slots=True)
class Ear:
    """One adapter: the bands in the order of `Band`, or why it could not listen."""

    bands: tuple[BandHeard, ...] | Absent


@dataclass(frozen=True, slots=True)
class Air:
    """Every adapter, and how old the bench reference is, days."""

    radios: tuple[Ear, ...] | Absent
    reference_age: Reading | Absent


def scan_limits(subject: Subject) -> Limits:
    """What the bench reference heard, and what counts as strong and as weak."""
    return strongest(
        *subject.given(*_NAMES),
        *reference_limits(subject.reference),
        *_DEFAULTS,
    )


_DEFAULTS: Final = (
    # -60 to -67 dBm is fair: what a known-good radio hears so well no other one misses altogether
    Limit("strong_least", -65.0, "dBm", Origin.DEFAULT, CRAFT),
    # two radios at one bench differ by 10 to 15 dB; both leads off cost more than this
    Limit("bench_loss_most", 30.0, "dB", Origin.DEFAULT, CRAFT),
    Limit("frames_least", 3, "", Origin.DEFAULT, CRAFT),
)
_NAMES: Final = tuple(limit.name for limit in _DEFAULTS)


def measure_scan(machine: Machine, subject: Subject, session: Session) -> Air:
    """Each adapter in turn; nothing is joined and no network's name is kept."""
    radios, age = machine.radios(), measured_age(machine, subject)
    if isinstance(radios, Absent):
        return Air(radios, age)
    ears = list[Ear]()
    for place, radio in enumerate(radios):
        session.tell("listening for networks", place / len(radios))
        networks = machine.networks(radio.id, SCANS)
        may = machine.frequencies(radio.id)
        ears.append(
            Ear(networks if isinstance(networks, Absent) else _bands(networks, may, subject.reference))
        )
    return Air(tuple(ears), age)


def _bands(
    networks: Iterable[Network], may: tuple[int, ...] | Absent, reference: BenchReference | None
) -> tuple[BandHeard, ...]:
    by_band = by_bands(networks)
    bench = {heard.band: heard for heard in (reference.heard if reference else ())}
    salt = reference.salt if reference else ""
    return tuple(
        _heard(band, by_band.get(band, []), _usable(band, may, bench.get(band)), bench.get(band), salt)
        for band in Band
    )


def by_bands(networks: Iterable[Network]) -> dict[Band, list[Network]]:
    """The networks whose level is known, by band; what is on no channel of ours is left out."""
    found: dict[Band, list[Network]] = {}
    for network in networks:
        place = place_of(network.frequency_mhz)
        if place and isinstance(network.signal, Reading):
            found.setdefault(place[0], []).append(network)
    return found


def loudness(network: Network) -> float:
    """dBm; of one whose level is known."""
    return float(network.signal.value) if isinstance(network.signal, Reading) else -math.inf


def _usable(band: Band, may: tuple[int, ...] | Absent, bench: AccessPoint | None) -> Reading | Absent:
    if isinstance(may, Absent):
        return may
    if bench:
        allowed = frequency_of(band, bench.channel) in may
    else:
        allowed = any(place[0] is band for mhz in may if (place := place_of(mhz)))
    return Reading(allowed, "", "frequencies of the adapter")


def _heard(
    band: Band, networks: list[Network], usable: Reading | Absent, bench: AccessPoint | None, salt: str
) -> BandHeard:
    if not networks:
        return BandHeard(band, usable, Absent(Why.NOT_THERE, band, "nothing was heard"), 0)
    known = [each for each in networks if bench and digest_of(each.sender, salt) == bench.sender]
    chosen = max(known or networks, key=loudness)
    return BandHeard(band, usable, chosen.signal, chosen.frames)


# -- judging ---------------------------------------------------------------------------------------


def judge_scan(evidence: Air, limits: Limits) -> Judgement:
    """The worst of the adapters; none to listen with is not this check's matter."""
    if isinstance(evidence.radios, Absent):
        return unread("the list of wireless adapters", evidence.radios)
    if not evidence.radios:
        return not_applicable("there is no adapter to listen with")
    if lost := without(limits, *_NAMES):
        return lost
    return worst(_judge(ear, evidence.reference_age, limits) for ear in evidence.radios)


def _judge(ear: Ear, age: Reading | Absent, limits: Limits) -> Judgement:
    if isinstance(ear.bands, Absent):
        return _could_not_listen(ear.bands)
    if broken := next((each for each in ear.bands if _is_unread(each.level)), None):
        assert isinstance(broken.level, Absent), "only an absence is unread"
        return unread(f"what is heard on {broken.band}", broken.level)
    if not any(isinstance(each.level, Reading) for each in ear.bands):
        return cannot_tell("no network at all was heard", _EMPTY_AIR, Cannot.DID_NOT_ANSWER)
    compared = [each for each in ear.bands if limits.get(LEVELS[each.band]) and not _is_barred(each)]
    if limits.get(VALID_DAYS) is None or not compared:
        return _alone(ear.bands, limits)
    return expired(age, limits) or _compare(ear.bands, compared, limits)


_EMPTY_AIR: Final = (
    "switch on the bench's access point and run again; if another device hears it here, press home both "
    "antenna leads at the wireless card"
)


def _could_not_listen(bands: Absent) -> Judgement:
    if bands.why is Why.NOT_THERE:
        return cannot_tell(
            "no driver runs the adapter, so nothing could be heard",
            "see what was found of the adapter first",
            Cannot.PRECONDITION,
        )
    return unread("the networks in range", bands)


def _is_unread(level: Reading | Absent) -> bool:
    return isinstance(level, Absent) and level.why is not Why.NOT_THERE


def _is_barred(heard: BandHeard) -> bool:
    """The adapter cannot listen there, or the rules of the country forbid it."""
    return isinstance(heard.usable, Reading) and not heard.usable.value


def _alone(bands: tuple[BandHeard, ...], limits: Limits) -> Judgement:
    """Without anything to compare with, something heard is all that can be shown."""
    heard = [each for each in bands if isinstance(each.level, Reading)]
    return passed(
        f"networks are heard on {_names(heard)}; no bench reference says what should be",
        _measured(heard[0]),
        limits.get(LEVELS[heard[0].band]),
    )


def _compare(bands: tuple[BandHeard, ...], compared: list[BandHeard], limits: Limits) -> Judgement:
    for each in compared:
        if isinstance(each.level, Absent) and (judgement := _deaf(each, limits)):
            return judgement
    heard = [each for each in compared if isinstance(each.level, Reading)]
    for each in heard:
        if judgement := _weak(each, limits):
            return judgement
    if not heard:
        return _alone(bands, limits)
    bench = limits.get(LEVELS[heard[0].band])
    return passed(
        f"heard as a known-good radio hears it at this bench: {_names(heard)}", _measured(heard[0]), bench
    )


def _deaf(each: BandHeard, limits: Limits) -> Judgement | None:
    """None where the reference itself heard too little to ask the same of another radio."""
    bench, strong = limits.get(LEVELS[each.band]), limits.get("strong_least")
    if bench is None or strong is None or number(bench) < number(strong):
        return None
    if isinstance(each.usable, Absent):
        return unread(f"whether the adapter uses {each.band}, where it hears nothing,", each.usable)
    reason = f"nothing is heard on {each.band}, where a known-good radio hears {number(bench):.0f} dBm"
    return failed(reason, _DEAF, Reading(0, "", f"frames heard on {each.band}"), bench)


_DEAF: Final = (
    "see that the bench's access point sends on that band, press home both antenna leads, then try a known "
    "good card"
)


def _weak(each: BandHeard, limits: Limits) -> Judgement | None:
    bench, most, least = (limits.get(name) for name in (LEVELS[each.band], "bench_loss_most", "frames_least"))
    if bench is None or most is None or least is None or isinstance(each.level, Absent):
        return None
    if each.frames < number(least):
        return cannot_tell(
            f"too few frames were heard on {each.band} to tell: {each.frames}",
            "bring the unit nearer to the bench's access point and run again",
            Cannot.DID_NOT_ANSWER,
        )
    below = number(bench) - float(each.level.value)
    if below <= number(most):
        return None
    return cannot_tell(
        f"{each.band} is heard {below:.0f} dB weaker than by a known-good radio at this bench",
        "put the unit where the reference was taken, press home both antenna leads, then run again",
    )


def _measured(each: BandHeard) -> Reading:
    assert isinstance(each.level, Reading), "only what was heard is told"
    return Reading(each.level.value, "dBm", f"{each.band}, {each.level.source}")


def _names(bands: Iterable[BandHeard]) -> str:
    """`2.4 GHz and 5 GHz`."""
    names = [each.band.value for each in bands]
    return " and ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else names[0]


SCAN = Check(
    id="wireless.scan",
    kind=PartKind.WIRELESS,
    asks="Is the air heard on every band, as a known-good radio hears it?",
    catches="a band deaf, both antenna leads off",
    source="nl80211 scan; IEEE 802.11-2020, 17.3.8.4; the bench reference",
    stage=Stage.INVENTORY,
    depth=Depth.FUNCTION,
    ways=(Way.INSTRUMENT,),
    evidence=Air,
    limits=scan_limits,
    measure=measure_scan,
    judge=judge_scan,
    walk_away_s=15.0,
)

CHECKS = (SCAN,)
