"""Every named fault of the demonstration's family: none passes unnoticed, each is one line, and the advice
begins where the fault is."""

from __future__ import annotations

from functools import cache

import pytest

from agent.machine.rehearsal.faults import FAULTS
from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from agent.machine.rehearsal.unit import Unit
from agent.planning.mapcheck import generic_map
from reports.errors import DocumentError
from reports.model.finding import Finding, Verdict, Way, Weight
from reports.model.order import SCHEMA, Action, Form, Line, Order
from reports.model.order import Unit as OrderedUnit
from reports.model.verdict import UnitVerdict, unit_verdict
from tests.support.journeys import DEMO, DEMO_MAP, DEMO_ORDER, bad, walked

pytestmark = pytest.mark.xdist_group("faults of the demonstration")  # one process, so that each is run once

UNIT = load_unit(DEMO / "unit.json")

LIMITS = {
    "no-power-counter",
    "no-chain-signals",
    "no-tachometer",
    "mains-unplugged",
    "room-hot",
    "drive-encrypted",
    "air-empty",
}
"""What ordinary units lack, or how they stand: no faults."""

IF_PUT_IN = {"drive-worn"}
"""An owner's part that nears its end holds no unit; one that the order put in does (tests of its check)."""


def has_part(fault: str) -> bool:
    """Whether the demonstration's unit has what `fault` is a fault of."""
    try:
        RehearsalMachine(UNIT, [fault])
    except DocumentError:
        return False
    return True


WITH_A_LINE = {"fan-control-off"}
"""Tried at sustained depth only: the fan itself is on the order (`tests/checks/cooling/test_follow.py`)."""

OF_THE_FAMILY = [
    fault for fault in FAULTS if fault not in LIMITS | IF_PUT_IN | WITH_A_LINE and has_part(fault)
]


@cache
def run_with(*faults: str) -> tuple[Finding, ...]:
    return walked(UNIT, DEMO_ORDER, DEMO_MAP, faults, seed=1)


def test_the_sound_unit_is_ready():
    assert bad(run_with()) == []
    assert unit_verdict(run_with()) is UnitVerdict.READY


@pytest.mark.parametrize("fault", OF_THE_FAMILY)
def test_no_fault_passes_unnoticed(fault):
    """A drive that its controller hides is no fault of a part; that it is hidden stands in the report."""
    if fault == "drive-hidden":
        assert (
            "hides"
            in next(each for each in run_with(fault) if each.check == "storage.present").judgement.reason
        )
        return
    found = bad(run_with(fault))

    assert found
    assert unit_verdict(run_with(fault)) is not UnitVerdict.READY or found[0].weight is Weight.ADVISORY


@pytest.mark.parametrize("fault", sorted(LIMITS))
def test_what_ordinary_units_lack_holds_none(fault):
    assert unit_verdict(run_with(fault)) in (UnitVerdict.READY, UnitVerdict.INCOMPLETE)


POINTS_AT = {
    "fan-plug-loose": ("fan.spin", "fan cable", "main board"),
    "fan-plug-shaky": ("fan.spin", "fan cable", "main board"),
    "compound-missing": ("thermal.load", "thermal compound", ""),
    "compound-poor": ("thermal.load", "thermal compound", ""),
    "processor-held-hot": ("processor.throttle", "thermal compound", ""),
    "processor-miscalculates": ("processor.compute", "processor", ""),
    "antenna-main-off": ("wireless.antennas", "main antenna lead", "wireless card"),
    "band-deaf": ("wireless.scan", "main antenna lead", "wireless card"),
    "wireless-card-loose": ("wireless.present", "wireless card", ""),
    "radio-switch-off": ("wireless.present", "wireless card", ""),
    "bluetooth-gone": ("wireless.bluetooth", "wireless card", ""),
    "memory-module-loose": ("memory.capacity", "memory module, slot 1", ""),
    "memory-wrong-size": ("memory.capacity", "memory module, slot 1", ""),
    "memory-slow": ("memory.modules", "memory module, slot 1", ""),
    "drive-cable-off": ("storage.present", "solid-state drive", ""),
    "wrong-drive": ("storage.present", "solid-state drive", ""),
    "drive-link-narrow": ("storage.link", "solid-state drive", ""),
    "drive-link-slow": ("storage.link", "solid-state drive", ""),
    "drive-errors": ("board.counters", "solid-state drive", ""),
    "drive-link-errors": ("board.counters", "solid-state drive", ""),
    "link-errors": ("board.increase", "solid-state drive", ""),
    "machine-checks": ("board.counters", "memory module, slot 1", ""),
    "camera-ribbon-off": ("camera.present", "camera ribbon", "main board"),
    "camera-black": ("camera.frames", "camera ribbon", "main board"),
    "camera-frozen": ("camera.frames", "camera ribbon", "main board"),
    "camera-slow": ("camera.frames", "camera ribbon", "main board"),
    "clock-cell-flat": ("board.clock", "clock cell lead", "main board"),
    "clock-stopped": ("board.clock", "clock cell lead", "main board"),
    "panel-cable-off": ("display.panel", "panel cable", "main board"),
    "panel-cable-half-home": ("display.panel", "panel cable", "main board"),
    "backlight-dark": ("display.backlight", "backlight cable", "main board"),
    "network-socket-dead": ("ports.network", "side port ribbon", "main board"),
    "network-pair-off": ("ports.network", "side port ribbon", "main board"),
    "sound-gone": ("audio.codec", "main board", ""),
    "microphone-gone": ("microphone.present", "microphone ribbon", "main board"),
    "touch-cable-off": ("touch.present", "touch controller lead", "main board"),
    "power-key-off": ("buttons.present", "power button ribbon", "main board"),
    "processor-wrong": ("processor.identity", "processor", ""),
}
"""Fault: the check that tells it, and where the advice begins. The antenna leads look alike to a radio: which
of its chains is which, no standard says, so either may stand first."""


@pytest.mark.parametrize("fault", POINTS_AT)
def test_a_fault_is_one_line_that_begins_where_it_is(fault):
    check, thing, end = POINTS_AT[fault]

    (told,) = [finding for finding in bad(run_with(fault)) if not finding.group]

    assert told.judgement.verdict is Verdict.FAIL
    assert told.check == check
    assert (told.suspects[0].name, told.suspects[0].end) == (thing, end)


@pytest.mark.parametrize("fault", POINTS_AT)
def test_of_two_ends_of_one_cable_the_disturbed_and_then_the_nearer_one_comes_first(fault):
    (told,) = [finding for finding in bad(run_with(fault)) if not finding.group]
    cables = {suspect.thing for suspect in told.suspects if suspect.end}

    for cable in cables:
        ends = [suspect for suspect in told.suspects if suspect.thing == cable]
        assert ends == sorted(ends, key=lambda end: (not end.because, end.removals))


@pytest.mark.parametrize(
    "fault", ["identity-blank", "identity-of-another-unit", "tpm-off", "firmware-old", "start-entry-stale"]
)
def test_what_is_only_written_down_wrong_sends_nobody_to_a_plug(fault):
    (told,) = [finding for finding in bad(run_with(fault)) if not finding.group]

    assert told.suspects == ()
    assert told.judgement.advice


def test_either_antenna_lead_is_among_the_first_two_places():
    (told,) = bad(run_with("antenna-aux-off"))

    assert "auxiliary antenna lead" in [suspect.name for suspect in told.suspects[:2]]


def test_two_faults_are_two_lines():
    leaders = [
        finding.check for finding in bad(run_with("antenna-main-off", "fan-plug-loose")) if not finding.group
    ]

    assert leaders == ["wireless.antennas", "fan.spin"]


def test_two_faults_of_one_board_are_two_lines():
    leaders = [
        finding.check for finding in bad(run_with("identity-blank", "clock-cell-flat")) if not finding.group
    ]

    assert leaders == ["board.identity", "board.clock"]


# -- a card, which the demonstration's family was made without ------------------------------------------


def tower() -> Unit:
    """A good tower whose card an open driver has draw."""
    units = (random_good_unit(seed, Form.TOWER) for seed in range(50))
    return next(it for it in units if (heat := it.graphics[0].heat) and heat.draws and heat.sensor)


TOWER = tower()
TOWER_ORDER = Order(
    SCHEMA,
    "LM-2094",
    "2026-03-16",
    OrderedUnit(Form.TOWER, TOWER.plate.serial, maker=TOWER.plate.maker, product=TOWER.plate.product),
    "goes black in games",
    (Line("graphics-card", Action.REFITTED),),
    "t7",
)


@cache
def tower_with(*faults: str) -> tuple[Finding, ...]:
    return walked(TOWER, TOWER_ORDER, generic_map(Form.TOWER), faults, seed=1)


def test_a_sound_card_is_heated_and_named_and_its_unit_is_ready():
    heat = next(each for each in tower_with() if each.check == "graphics.heat")

    assert unit_verdict(tower_with()) is UnitVerdict.READY
    assert heat.judgement.way in (Way.INSTRUMENT, Way.INFERRED)
    assert "HG graphics card at pci-0000:01:00.0 was heated by" in heat.judgement.reason


def test_a_unit_whose_card_no_open_driver_reaches_is_ready_once_a_hand_felt_it():
    heat = next(each for each in tower_with("graphics-closed") if each.check == "graphics.heat")

    assert unit_verdict(tower_with("graphics-closed")) is UnitVerdict.READY
    assert heat.judgement.way is Way.OBSERVED


@pytest.mark.parametrize(
    ("fault", "check", "first"),
    [
        ("graphics-pads-missing", "graphics.heat", "take the card's cooler off and look at the pads"),
        ("graphics-cooler-loose", "graphics.heat", "take the card's cooler off, renew the compound"),
        ("graphics-fan-off", "graphics.heat", "look at the card's fan"),
        ("graphics-miscalculates", "graphics.heat", "reseat the card"),
        ("graphics-card-crooked", "graphics.link", "reseat the card"),
    ],
)
def test_a_fault_of_a_card_is_one_line_that_names_what_to_look_at(fault, check, first):
    (told,) = [finding for finding in bad(tower_with(fault)) if not finding.group]

    assert told.check == check
    assert told.judgement.verdict is Verdict.FAIL
    assert told.judgement.advice.startswith(first)
    assert told.suspects[0].name == "graphics card"
    assert unit_verdict(tower_with(fault)) is UnitVerdict.HOLD
