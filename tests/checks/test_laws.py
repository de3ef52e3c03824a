"""What holds of every judge: no pass on missing evidence, the same answer twice, evidence survives JSON."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass, replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.board import intake
from checks.machine import BootEntry, InputSort, Use
from checks.registry import MODULES, check
from reports.codec import from_json, to_json
from reports.model.evidence import Absent, Why
from reports.model.finding import Limits, Verdict
from reports.model.order import Action, Expected, Form, Line, Piece
from reports.model.servicemap import PartKind
from tests.support.machines import (
    GIB,
    GUID,
    Bench,
    FakeReader,
    Warming,
    absent,
    backlight,
    bad_word,
    battery,
    bus_link,
    camera,
    chains,
    charge,
    clock_state,
    compute_trial,
    connector,
    control,
    core_trial,
    drawn,
    drive,
    drive_health,
    error_counts,
    graphics,
    graphics_chip,
    identity,
    in_range,
    kernel_log,
    laptop,
    layout,
    link_errors,
    module_errors,
    network,
    partition,
    processor,
    radio,
    reader,
    reference,
    replaced,
    restraint,
    said,
    slot,
    sound_card,
    stick,
    subject,
    trial,
    trust_module,
    view,
    volume,
)

MEMORY_LINE = replaced(
    "memory",
    fitted=Piece("4C1907A1", "HG-D4S-8G32"),
    expected=Expected(capacity_bytes=16 * GIB, megatransfers_per_s=3200),
)
STORAGE_LINE = replaced("storage", fitted=Piece("HN5-20417733"))
FIRMWARE_LINE = replaced("board", expected=Expected(firmware_version="1.08"))
UNIT = {"uuid": "5f0c1d52-7a3e-4b7c-9d41-2e60b8a4c917", "product": "Fellside 14", "sku": "TF14-512-16"}

NEEDED = {
    "memory.capacity": (MEMORY_LINE, ("devices/0", "devices/1", "total")),
    "memory.modules": (MEMORY_LINE, ("slots", "slots/0/capacity", "slots/1/capacity")),
    "memory.pattern": (
        replaced("memory"),
        (
            "trial",
            *(f"trial/{name}" for name in ("available", "tried", "smallest", "cache", "rounds", "wrong")),
        ),
    ),
    "storage.present": (STORAGE_LINE, ("drives", "drives/0/serial", "drives/0/capacity")),
    "storage.health": (STORAGE_LINE, ("drives", "drives/0", "drives/0/sound", "drives/0/hours")),
    "storage.read": (STORAGE_LINE, ("drives", "drives/0/size", "drives/0/read")),
    "storage.cable": (
        STORAGE_LINE,
        ("drives", "drives/0/after", "drives/0/crossed"),  # what counts no errors is told by its link
    ),
    "storage.whole": (STORAGE_LINE, ("drives", "drives/0/size", "drives/0/read")),
    "storage.layout": (STORAGE_LINE, ("drives", "drives/0")),
    "wireless.present": (replaced("wireless"), ("radios", "radios/0/driver")),
    "wireless.antennas": (
        replaced("wireless"),
        ("radios", "chains", "chains/0/signal", "chains/1/signal"),
    ),
    "camera.frames": (
        replaced("camera"),
        (
            "first",
            *(f"first/{name}" for name in ("frames", "spoilt", "stated", "rate")),
            *(f"first/{name}" for name in ("light", "contrast", "sharpness", "repeats")),
        ),
    ),
    "wireless.scan": (
        replaced("wireless"),
        ("radios", "radios/0/bands", "radios/0/bands/0/level", "radios/0/bands/1/level", "reference_age"),
    ),
    "camera.present": (replaced("camera"), ("cameras", "cameras/0/driver")),
    "board.identity": (replaced("board"), ("unit/serial", "unit/uuid", "unit/product", "unit/sku")),
    "board.firmware": (FIRMWARE_LINE, ("version",)),
    "board.tpm": (replaced("board"), ("modules",)),
    "board.clock": (replaced("board"), ("first", "second")),
    "processor.identity": (
        Line("processor", Action.REFITTED),
        ("processor/model", "processor/cores"),
    ),
    "wireless.bluetooth": (replaced("wireless"), ("radios", "radios/0/driver")),
    "battery.present": (replaced("battery"), ("batteries",)),
    "battery.wear": (replaced("battery"), ("batteries", "batteries/0/design", "batteries/0/full")),
    "display.panel": (
        replaced("display"),
        ("connectors", "connectors/0/connected", "connectors/0/fault"),
    ),
    "graphics.present": (
        replaced("graphics"),
        ("adapters", "adapters/0/driver", "adapters/0/on_card"),
    ),
    "ports.network": (replaced("ports"), ("adapters", "adapters/0/driver")),
    "display.backlight": (replaced("display"), ("backlights", "backlights/0/brightness")),
    "battery.charging": (replaced("battery"), ("mains", "batteries")),
    "charger.mains": (replaced("charger"), ("mains",)),
    "processor.compute": (
        Line("processor", Action.REFITTED),
        ("trial/running", *(f"trial/cores/0/{name}" for name in ("pinned", "rounds", "wrong"))),
    ),
    "processor.clock": (Line("processor", Action.REFITTED), ("clocks/0/clock", "loaded")),
    "processor.throttle": (Line("processor", Action.REFITTED), ()),
    "board.start": (replaced("board"), ("entries", "partitions", "partitions/0/id")),
    "storage.link": (replaced("storage"), ("links", "links/0/width", "links/0/most_width")),
    "graphics.link": (replaced("graphics"), ("links", "links/0/most_width")),
    "graphics.heat": (
        replaced("graphics"),
        (
            "chips",
            "chips/0/load",
            *(f"chips/0/load/{name}" for name in ("temperature", "cores", "cold", "safe")),
            *(f"chips/0/drawn/{name}" for name in ("driver", "by_processor", "wrong")),
        ),
    ),
    "memory.counters": (
        MEMORY_LINE,
        ("counts", "counts/0/corrected", "counts/0/uncorrected"),
    ),
    "board.counters": (
        replaced("board"),
        ("log", "links/0/corrected", "links/0/nonfatal", "links/0/fatal"),
    ),
    "board.increase": (
        replaced("board"),
        (
            *("before/log", "now/log", "now/memory/0/corrected", "now/links/0/fatal"),
            *("before/links/0/nonfatal", "before/machine_checks", "now/machine_checks"),
        ),
    ),
    "audio.codec": (replaced("audio"), ("cards", "cards/0/plays")),
    "microphone.present": (replaced("microphone"), ("cards", "cards/0/records")),
    "readers.present": (replaced("readers"), ("readers", "readers/0/driver")),
    **{
        f"{kind}.present": (replaced(kind), ("devices",))
        for kind in ("keyboard", "pointer", "touch", "lid", "buttons")
    },
}
"""For each check a line of the order on its part, and every reading that its pass rests on.

Not among them: a serial or part number of a module that its fellow readings prove otherwise, switches
that a radio may be without, a carrier that a socket may be without, and the firmware's whole memory table,
which the total can stand in for.
"""


SMALL = FakeReader(size=1 << 30)
"""A drive that is read from end to end in no time."""


def passing(id: str):
    """Evidence that passes with nothing missing, and its limits."""
    line, _ = NEEDED[id]
    about = subject(check(id).kind, line, reference=reference(), **UNIT)
    machine = laptop(reading=SMALL, **({"temperature": Warming()} if id == "graphics.heat" else {}))
    return check(id).measure(machine, about, Bench()), check(id).limits(about)


def changed(value: Any, path: list[str], leaf: Any) -> Any:
    """`value` with the member at `path` replaced by `leaf`."""
    if not path:
        return leaf
    first, *rest = path
    if isinstance(value, tuple):
        index = int(first)
        return (*value[:index], changed(value[index], rest, leaf), *value[index + 1 :])
    return replace(value, **{first: changed(getattr(value, first), rest, leaf)})


def test_every_check_of_the_inventory_is_held_to_these_laws():
    inventory = {
        each.id
        for module in MODULES
        for each in module.CHECKS
        if each.kind not in (PartKind.FAN, PartKind.THERMAL)
        and module is not intake  # these judge against a baseline; their laws are in test_intake.py
    }

    assert inventory == NEEDED.keys()


@pytest.mark.parametrize("id", NEEDED)
def test_the_whole_evidence_passes(id):
    evidence, limits = passing(id)

    assert check(id).judge(evidence, limits).verdict is Verdict.PASS


@pytest.mark.parametrize("why", Why)
@pytest.mark.parametrize(("id", "path"), [(id, path) for id, (_, paths) in NEEDED.items() for path in paths])
def test_no_judge_passes_what_was_not_measured(id, path, why):
    evidence, limits = passing(id)
    missing = changed(evidence, path.split("/"), absent(why, "as found"))

    judgement = check(id).judge(missing, limits)

    assert judgement.verdict is not Verdict.PASS
    assert judgement.advice or judgement.verdict is Verdict.NOT_APPLICABLE


def leaves(value: Any, path: tuple[str, ...] = ()) -> list[list[str]]:
    """The path of every reading in `value`."""
    if isinstance(value, tuple):
        return [found for index, item in enumerate(value) for found in leaves(item, (*path, str(index)))]
    if hasattr(value, "unit") and hasattr(value, "source"):
        return [list(path)]
    if is_dataclass(value) and not isinstance(value, Absent):
        return [
            found
            for field in fields(value)
            for found in leaves(getattr(value, field.name), (*path, field.name))
        ]
    return []


@pytest.mark.parametrize("id", NEEDED)
def test_no_single_missing_reading_makes_a_sound_unit_fail_unless_its_absence_is_the_fault(id):
    """A blank identity is a fault; anything else that only could not be read is inconclusive or a pass."""
    evidence, limits = passing(id)
    whys = [why for why in Why if why is not Why.NOT_THERE]

    verdicts = {
        (".".join(path), why): check(id).judge(changed(evidence, path, absent(why)), limits).verdict
        for path in leaves(evidence)
        for why in whys
    }

    assert verdicts
    assert not [where for where, verdict in verdicts.items() if verdict is Verdict.FAIL]


why = st.sampled_from(Why)
gone = st.builds(absent, why)
texts = st.sampled_from(["", "None", "4C1907A1", "HN5-20417733", "TF14-0193-8841", "\u202eA\x1b[31m"]).map(
    said
)
maybe = texts | gone
flags = st.booleans().map(said) | gone
sizes = st.sampled_from([0, 8 * GIB, 512_110_190_592, 2**53 - 1]).map(lambda size: said(size, "bytes")) | gone
levels = st.floats(-99, -20) | gone
slots = st.builds(
    slot,
    st.just("Slot 1"),
    capacity=sizes,
    serial=maybe,
    part_number=maybe,
    form_factor=maybe,
    memory_type=maybe,
    configured_speed=st.sampled_from([1600, 3200]).map(lambda speed: said(speed, "MT/s")) | gone,
)
drives = st.builds(drive, serial=maybe, capacity=sizes, transport=maybe, removable=flags) | st.just(stick())
radios = st.builds(radio, driver=maybe, soft_blocked=flags, hard_blocked=flags)
members = st.dictionaries(st.sampled_from(list(identity().__dataclass_fields__)), maybe)


def several(items: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.lists(items, max_size=3).map(tuple) | gone


whole_numbers = st.integers(-1, 9).map(said) | gone
seconds = st.sampled_from([0, -1, 1_772_438_400, 2**53 - 1]).map(lambda at: said(at, "s")) | gone
capacities = st.sampled_from([0.0, 41.5, 50.0, 1e6]).map(lambda held: said(held, "watt_hours")) | gone
ratios = st.sampled_from([0.0, 0.5, 1.0, 1e6]).map(said) | gone
statuses = st.sampled_from(["Charging", "Full", "Not charging", "Discharging"]).map(said) | gone
rates = st.sampled_from([2.5, 8.0, 1e9]).map(lambda rate: said(rate, "GT/s")) | gone
bus_links = st.builds(
    bus_link, speed=rates, width=whole_numbers, most_width=whole_numbers, lowered=flags, model=maybe
)
error_numbers = st.integers(0, 3) | gone
counted = st.builds(
    error_counts,
    memory=several(st.builds(module_errors, error_numbers, error_numbers)),
    links=several(st.builds(link_errors, error_numbers, error_numbers, error_numbers)),
    log=st.builds(kernel_log, lost=st.booleans(), drive=st.integers(0, 3), usb=st.integers(0, 3)) | gone,
    machine_checks=whole_numbers,
)
words = st.sampled_from(["0" * 16, "f" * 16, "00000000000000ff"]).map(said) | gone
bad_words = st.builds(
    bad_word, address=sizes, expected=words, read=words, modules=st.lists(texts, max_size=3).map(tuple) | gone
)
counts = st.integers(0, 12).map(said) | gone
trials = st.builds(
    trial,
    available=sizes,
    tried=sizes,
    smallest=sizes,
    cache=sizes,
    rounds=counts,
    wrong=counts,
    words=st.lists(bad_words, max_size=3).map(tuple),
    ended=maybe,
)
percents = st.integers(0, 255).map(lambda share: said(share, "percent")) | gone
healths = st.builds(
    drive_health,
    sound=flags,
    warnings=maybe,
    worn=maybe,
    pending=whole_numbers,
    uncorrectable=whole_numbers,
    unrecovered=whole_numbers,
    reallocated=whole_numbers,
    interface_errors=whole_numbers,
    spare=percents,
    spare_threshold=percents,
    used=percents,
    hours=whole_numbers,
    starts=whole_numbers,
)
network_rates = st.sampled_from([0, 10, 100, 1000]).map(lambda rate: said(rate, "Mbit/s")) | gone
shares = st.sampled_from([0.0, 0.03, 0.5, 1.0, 6.0]) | gone
views = st.builds(
    view,
    refused=maybe,
    frames=st.sampled_from([0, 1, 90]) | gone,
    spoilt=st.sampled_from([0, 1, 90]) | gone,
    stated=st.sampled_from([0.0, 30.0]) | gone,
    rate=st.sampled_from([0.0, 13.5, 30.0]) | gone,
    light=shares,
    contrast=shares,
    sharpness=shares,
    repeats=shares,
    moved=shares,
)
volumes = st.builds(
    volume, st.integers(0, 9), st.sampled_from(["", "ntfs"]), st.sampled_from(Use), board_bound=flags
)
layouts = st.lists(volumes, max_size=3).map(lambda held: layout(*held)) | gone
readers = st.builds(
    FakeReader,
    size=st.sampled_from([0, 4096, 1 << 20, 1 << 27]),
    answers=st.dictionaries(
        st.integers(1, 40), st.floats(0, 60).map(lambda took: said(took, "s")) | gone, max_size=2
    ),
)
units = st.builds(
    laptop,
    drive_health=healths | gone,
    drive_layout=layouts,
    reading=readers | gone,
    batteries=several(
        st.builds(battery, present=flags, design=capacities, full=capacities, cycles=whole_numbers)
    ),
    processor=st.builds(processor, model=maybe, cores=whole_numbers, socket_cores=whole_numbers),
    real_time_clock=seconds,
    trust_modules=several(st.builds(trust_module, maybe)),
    display_connectors=several(
        st.builds(connector, internal=st.booleans(), connected=flags, fault=maybe, model=maybe)
    ),
    graphics_adapters=several(st.builds(graphics, driver=maybe, on_card=flags)),
    graphics_chips=several(
        st.builds(graphics_chip, draws=maybe, on_card=flags, sensors=st.sampled_from([(), ("card", "other")]))
    ),
    drawn=st.builds(drawn, driver=maybe, by_processor=flags, wrong=whole_numbers, ended=maybe),
    temperature=st.sampled_from([said(45.0, "celsius"), absent()]) | st.builds(Warming, st.floats(0, 90)),
    network_adapters=several(
        st.builds(network, driver=maybe, carrier=flags, speed=network_rates, most_speed=network_rates)
    ),
    bluetooth_controllers=several(radios),
    sound_cards=several(st.builds(sound_card, plays=flags, records=flags, model=maybe)),
    input_devices=several(st.builds(control, st.sampled_from(InputSort), inside=flags, name=maybe)),
    card_readers=several(st.builds(reader, driver=maybe)),
    on_mains=flags,
    backlights=several(st.builds(backlight, brightness=ratios, lit=flags)),
    charging=several(st.builds(charge, status=statuses, level=ratios, starts_below=ratios)),
    restraint=st.builds(
        restraint, slowed=ratios, since_start=ratios, allowed=ratios, highest=ratios, power_limit=ratios
    ),
    clocks=several(st.builds(clock_state, ratios, base=sizes, highest=sizes)),
    compute_trial=st.builds(
        lambda cores, running, ended: compute_trial(*cores, running=running, ended=ended),
        st.lists(
            st.builds(
                core_trial,
                st.integers(0, 9),
                pinned=flags,
                rounds=whole_numbers,
                wrong=whole_numbers,
                sorts=maybe,
                ended=maybe,
            ),
            max_size=3,
        ),
        whole_numbers,
        maybe,
    ),
    boot_entries=several(st.builds(BootEntry, st.just("Example \x1b[31m"), st.sampled_from([GUID, "other"]))),
    partitions=several(st.builds(partition, st.just(GUID) | gone, st.just("other") | gone)),
    drive_links=several(bus_links),
    card_links=several(bus_links),
    error_counts=counted,
    error_counts_at_start=counted,
    memory_slots=several(slots),
    memory_trial=trials | gone,
    memory_total=sizes,
    drives=several(drives),
    hidden_storage=maybe,
    radios=several(radios),
    networks=several(st.builds(in_range, st.sampled_from([2437, 5180, 5955, 1]), levels)),
    frequencies=st.lists(st.sampled_from([2437, 5180, 5955])).map(tuple) | gone,
    chain_signals=st.lists(levels, max_size=3).map(lambda heard: chains(*heard)) | gone,
    cameras=several(st.builds(camera, driver=maybe, model=maybe)),
    look=views | gone,
    identity=members.map(lambda changes: identity(**changes)),
)


@pytest.mark.parametrize("id", NEEDED)
@given(machine=units, worked=st.booleans(), form=st.sampled_from(Form), bare=st.booleans())
def test_any_unit_is_judged_the_same_twice_and_from_its_report(id, machine, worked, form, bare):
    lines = (NEEDED[id][0],) if worked else ()
    about = subject(check(id).kind, *lines, form=form, reference=None if bare else reference())
    evidence = check(id).measure(machine, about, Bench())
    limits = Limits() if bare else check(id).limits(about)

    judgement = check(id).judge(evidence, limits)

    assert check(id).judge(evidence, limits) == judgement
    again = from_json(json.loads(json.dumps(to_json(evidence))), check(id).evidence)
    assert again == evidence
    assert check(id).judge(again, from_json(json.loads(json.dumps(to_json(limits))), Limits)) == judgement
    assert one_sentence(judgement.reason)
    assert judgement.verdict in (Verdict.PASS, Verdict.NOT_APPLICABLE) or one_sentence(judgement.advice)


def one_sentence(words: str) -> bool:
    """Something is said, without a full stop, and nothing in it can move a terminal's cursor."""
    return bool(words) and not words.endswith(".") and words.isprintable()
