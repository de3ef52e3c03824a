"""No sound unit is held by the inventory: every good unit comes through, and every named fault does not."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from agent.machine.rehearsal.faults import FAULTS as FAULT_TABLE
from agent.machine.rehearsal.good_units import random_good_unit
from agent.machine.rehearsal.machine import RehearsalMachine, load_unit
from agent.machine.rehearsal.unit import Unit
from checks.machine import Question
from checks.registry import CHECKS, check
from reports.errors import DocumentError
from reports.model.evidence import Absent, Answer
from reports.model.finding import Depth, Judgement, Stage, Verdict, Way
from reports.model.order import Expected, Form, Line
from reports.model.servicemap import PartKind
from tests.support.journeys import bench_of
from tests.support.machines import Bench, part, replaced, subject

DRIVES = tuple(each for each in CHECKS if each.kind is PartKind.STORAGE and each.stage is Stage.POWERED)
"""Each may follow the one before it, as in a plan."""

INVENTORY = tuple(each for each in CHECKS if each.stage is Stage.INVENTORY)
DEMO = Path(__file__).parents[2] / "agent" / "demo" / "unit.json"


@dataclass
class Present:
    """Somebody at the unit who answers every question, and truthfully."""

    machine: RehearsalMachine

    def ask(self, question: Question) -> Answer | Absent:
        return self.machine.answer(question, "t7")

    def tell(self, words: str, fraction: float) -> None:
        pass


def judgements(machine: RehearsalMachine) -> dict[str, Judgement]:
    """Every inventory check of a unit whose parts were all touched and none replaced."""
    plate = machine.unit.plate
    found = {}
    for each in INVENTORY:
        about = subject(
            each.kind,
            form=machine.unit.form,
            serial=plate.serial,
            product=plate.product,
            reference=bench_of(machine),
        )
        evidence = each.measure(machine, about, Present(machine))
        found[each.id] = each.judge(evidence, each.limits(about))
    return found


@pytest.mark.parametrize("form", Form)
def test_no_good_unit_is_held(form):
    wrong = {
        (seed, id): judgement.reason
        for seed in range(300)
        for id, judgement in judgements(RehearsalMachine(random_good_unit(seed, form))).items()
        if judgement.verdict not in (Verdict.PASS, Verdict.NOT_APPLICABLE)
    }

    assert wrong == {}


FAULTS = {
    "antenna-main-off": ("wireless.antennas", Verdict.FAIL),
    "antenna-aux-off": ("wireless.antennas", Verdict.FAIL),
    "memory-slow": ("memory.modules", Verdict.FAIL),
    "drive-cable-off": ("storage.present", Verdict.FAIL),
    "drive-hidden": ("storage.present", Verdict.INCONCLUSIVE),
    "band-deaf": ("wireless.scan", Verdict.FAIL),
    "air-empty": ("wireless.scan", Verdict.INCONCLUSIVE),
    "wireless-card-loose": ("wireless.present", Verdict.FAIL),
    "wireless-driver-missing": ("wireless.present", Verdict.INCONCLUSIVE),
    "radio-switched-off": ("wireless.present", Verdict.INCONCLUSIVE),
    "radio-switch-off": ("wireless.present", Verdict.FAIL),
    "camera-ribbon-off": ("camera.present", Verdict.FAIL),
    "identity-blank": ("board.identity", Verdict.FAIL),
    "identity-of-another-unit": ("board.identity", Verdict.FAIL),
    "no-chain-signals": ("wireless.antennas", Verdict.NOT_APPLICABLE),
    "bluetooth-gone": ("wireless.bluetooth", Verdict.FAIL),
    "clock-cell-flat": ("board.clock", Verdict.FAIL),
    "clock-stopped": ("board.clock", Verdict.FAIL),
    "panel-cable-off": ("display.panel", Verdict.FAIL),
    "panel-cable-half-home": ("display.panel", Verdict.FAIL),
    "network-socket-dead": ("ports.network", Verdict.FAIL),
    "network-silent": ("ports.network", Verdict.FAIL),
    "network-pair-off": ("ports.network", Verdict.FAIL),
    "sound-gone": ("audio.codec", Verdict.FAIL),
    "microphone-gone": ("microphone.present", Verdict.FAIL),
    "touch-cable-off": ("touch.present", Verdict.FAIL),
    "power-key-off": ("buttons.present", Verdict.FAIL),
    "card-reader-off": ("readers.present", Verdict.FAIL),
    "drive-link-narrow": ("storage.link", Verdict.FAIL),
    "backlight-dark": ("display.backlight", Verdict.FAIL),
    "processor-held-hot": ("processor.throttle", Verdict.FAIL),
    "processor-held-slow": ("processor.throttle", Verdict.FAIL),
    "start-entry-stale": ("board.start", Verdict.FAIL),
    "machine-checks": ("board.counters", Verdict.FAIL),
    "drive-errors": ("board.counters", Verdict.FAIL),
    "drive-link-errors": ("board.counters", Verdict.FAIL),
}

CAMERA_FAULTS = {
    "camera-black": "shows nothing but black, with its view cleared",
    "camera-frozen": "is the one before it to the last bit",
    "camera-blurred": "is blurred, with its view cleared",
    "camera-slow": "comes at a fraction of its rate",
    "camera-slide-off-pin": "sees through its closed shutter",
}
"""Faults that show once the camera is looked through, with somebody there, each with what is said of it."""

DRIVE_FAULTS = {
    "drive-failing": ("storage.health", ()),
    "drive-pending": ("storage.health", ()),
    "drive-worn": ("storage.health", (replaced("storage"),)),
    "drive-cable-bad": ("storage.cable", ()),
    "drive-link-slow": ("storage.cable", ()),
    "drive-unreadable": ("storage.read", ()),
    "drive-struggles": ("storage.read", ()),
    "drive-empty": ("storage.layout", ()),
}
"""Faults of a drive that show once it is asked and read, each with the lines of its order."""

OTHER_FORMS = {
    "battery-plug-off": (Form.LAPTOP, "battery.present"),
    "keyboard-ribbon-off": (Form.LAPTOP, "keyboard.present"),
    "pointer-ribbon-off": (Form.LAPTOP, "pointer.present"),
    "lid-switch-off": (Form.LAPTOP, "lid.present"),
    "graphics-card-loose": (Form.TOWER, "graphics.present"),
    "charging-socket-off": (Form.LAPTOP, "charger.mains"),
    "battery-not-charging": (Form.LAPTOP, "battery.charging"),
    "memory-errors": (Form.TOWER, "memory.counters"),
}
"""Faults of parts that the demonstration's unit was made without."""

OF_WHAT_WAS_FITTED = {
    "battery-worn": (Form.LAPTOP, "battery.wear", {}),
    "processor-wrong": (Form.TOWER, "processor.identity", {}),
    "firmware-old": (Form.TOWER, "board.firmware", {"expected": Expected(firmware_version="1.2")}),
    "tpm-off": (Form.TOWER, "board.tpm", {}),
}
"""Faults that show only where the part was replaced, each with its line's members."""


def first_with(fault: str, form: Form) -> Unit:
    """The first good unit that has what the fault is a fault of."""
    for seed in range(50):
        unit = random_good_unit(seed, form)
        with suppress(DocumentError):
            RehearsalMachine(unit, [fault])
            return unit
    raise AssertionError(fault)


def verdicts(unit: Unit, fault: str, id: str, *lines: Line) -> tuple[Verdict, Verdict]:
    """Of the sound unit and of the one with the fault, with somebody there who answers."""
    it = next(each for each in INVENTORY if each.id == id)
    about = subject(it.kind, *lines, form=unit.form, serial=unit.plate.serial)
    machines = RehearsalMachine(unit), RehearsalMachine(unit, [fault])
    before, after = (
        it.judge(it.measure(machine, about, Present(machine)), it.limits(about)).verdict
        for machine in machines
    )
    return before, after


def of_drive(unit: Unit, *lines: Line, faults: tuple[str, ...] = ()) -> dict[str, Verdict]:
    """Every check that asks or reads the drive, with somebody there who answers."""
    machine = RehearsalMachine(unit, faults)
    about = subject(PartKind.STORAGE, *lines, form=unit.form)
    return {
        it.id: it.judge(it.measure(machine, about, Present(machine)), it.limits(about)).verdict
        for it in DRIVES
    }


def of_camera(unit: Unit, *faults: str, seed: int = 0) -> Judgement:
    """The camera looked through, with somebody there who answers, closes, opens and waves."""
    machine = RehearsalMachine(unit, faults, seed)
    it = check("camera.frames")
    about = subject(PartKind.CAMERA, replaced("camera"), form=unit.form)
    return it.judge(it.measure(machine, about, Present(machine)), it.limits(about))


@pytest.mark.parametrize("fault", CAMERA_FAULTS)
def test_each_fault_of_a_camera_shows_when_it_is_looked_through(fault):
    assert of_camera(load_unit(DEMO)).verdict is Verdict.PASS
    judgement = of_camera(load_unit(DEMO), fault)

    assert judgement.verdict is Verdict.FAIL
    assert CAMERA_FAULTS[fault] in judgement.reason


@pytest.mark.parametrize("form", [Form.ALL_IN_ONE, Form.LAPTOP])
def test_no_good_camera_is_held_when_it_is_looked_through(form):
    wrong = {
        seed: judgement.reason
        for seed in range(20)
        if (judgement := of_camera(random_good_unit(seed, form), seed=seed)).verdict is not Verdict.PASS
    }

    assert wrong == {}


@pytest.mark.parametrize("form", Form)
def test_no_owners_drive_is_held_for_its_age(form):
    seen = Counter()
    for seed in range(100):
        verdicts = of_drive(random_good_unit(seed, form))
        seen.update(verdicts.values())

        assert set(verdicts.values()) <= {Verdict.PASS, Verdict.NOT_APPLICABLE}, (seed, verdicts)
    assert seen[Verdict.PASS] > 2 * seen[Verdict.NOT_APPLICABLE]


@pytest.mark.parametrize("fault", DRIVE_FAULTS)
def test_each_fault_of_a_drive_shows_in_its_check(fault):
    id, lines = DRIVE_FAULTS[fault]
    sata = next(
        unit
        for seed in range(50)
        if (unit := random_good_unit(seed, Form.TOWER)).disks[0].transport == "sata"
    )
    hardly_run = replace(sata.disks[0].log, keeps=True, hours=8, starts=12, used=0, reallocated=0)
    sound = replace(sata, disks=(replace(sata.disks[0], log=hardly_run), *sata.disks[1:]))

    assert of_drive(sound, *lines)[id] is Verdict.PASS
    assert of_drive(sound, *lines, faults=(fault,))[id] is Verdict.FAIL


def test_an_encrypted_drive_behind_a_new_board_passes_and_tells_of_the_key():
    unit = load_unit(DEMO)
    machine = RehearsalMachine(unit, ["drive-encrypted"])
    about = subject(PartKind.STORAGE, replaced("board"), worked=(part(PartKind.BOARD),))
    layout = next(each for each in DRIVES if each.id == "storage.layout")

    judgement = layout.judge(layout.measure(machine, about, Present(machine)), layout.limits(about))

    assert judgement.verdict is Verdict.PASS
    assert "the recovery key will be asked for" in judgement.reason


@pytest.mark.parametrize("fault", OTHER_FORMS)
def test_each_fault_of_a_laptop_or_tower_shows_in_its_check(fault):
    form, id = OTHER_FORMS[fault]

    assert verdicts(first_with(fault, form), fault, id) == (Verdict.PASS, Verdict.FAIL)


@pytest.mark.parametrize("fault", OF_WHAT_WAS_FITTED)
def test_each_fault_of_what_was_fitted_shows_in_its_check(fault):
    form, id, members = OF_WHAT_WAS_FITTED[fault]
    unit = first_with(fault, form)
    if fault == "battery-worn":
        unit = replace(
            unit, batteries=(replace(unit.batteries[0], full_watt_hours=unit.batteries[0].design_watt_hours),)
        )
    line = replaced(id.partition(".")[0], **members)

    assert verdicts(unit, fault, id, line) == (Verdict.PASS, Verdict.FAIL)


def test_an_owners_worn_battery_holds_no_unit():
    unit = first_with("battery-worn", Form.LAPTOP)

    assert verdicts(unit, "battery-worn", "battery.wear")[1] is Verdict.PASS


def test_every_fault_of_the_inventory_shows_in_some_check():
    # need a map or an order that says what is in, or show only while the unit is tried
    elsewhere = {
        *("memory-module-loose", "memory-wrong-size", "wrong-drive"),
        *("link-errors", "drive-encrypted"),
    }
    hot = {
        each for each in FAULT_TABLE if each.startswith(("fan-", "compound", "cooler", "vents", "sensor-"))
    }
    tried = {"memory-bad-cell", "processor-miscalculates", "clock-sags", *CARD_FAULTS}
    limits = {"no-power-counter", "no-tachometer", "mains-unplugged", "room-hot", "graphics-closed"}

    assert FAULT_TABLE.keys() - hot - tried - limits - elsewhere == {
        *FAULTS,
        *OTHER_FORMS,
        *OF_WHAT_WAS_FITTED,
        *DRIVE_FAULTS,
        *CAMERA_FAULTS,
    }


@pytest.mark.parametrize("fault", FAULTS)
def test_each_named_fault_shows_in_its_check(fault):
    unit = load_unit(DEMO)
    id, verdict = FAULTS[fault]
    sound, faulty = RehearsalMachine(unit), RehearsalMachine(unit, [fault])
    plate = unit.plate
    each = next(each for each in INVENTORY if each.id == id)
    about = subject(each.kind, form=unit.form, serial=plate.serial, reference=bench_of(sound))

    # with an answer a hidden drive is known to be there; nobody can answer for a silent network but by one
    person = Present(faulty) if fault in ("network-silent", "backlight-dark") else Bench()
    before = each.judge(each.measure(sound, about, Bench()), each.limits(about))
    after = each.judge(each.measure(faulty, about, person), each.limits(about))

    assert before.verdict is Verdict.PASS
    assert after.verdict is verdict


def test_a_loose_module_shows_once_somebody_says_how_many_were_put_back():
    unit = load_unit(DEMO)
    about = subject(PartKind.MEMORY, form=unit.form)
    modules = next(each for each in INVENTORY if each.id == "memory.modules")
    machine = RehearsalMachine(unit, ["memory-module-loose"])

    evidence = modules.measure(machine, about, Bench({"memory.put_back": "2"}))

    assert modules.judge(evidence, modules.limits(about)).verdict is Verdict.FAIL


@pytest.mark.parametrize("depth", [Depth.FUNCTION, Depth.SUSTAINED])
def test_a_bad_cell_shows_once_the_memory_is_tried(depth):
    unit = load_unit(DEMO)
    each = check("memory.pattern")
    about = subject(PartKind.MEMORY, replaced("memory"), form=unit.form, depth=depth)

    def tried(*faults: str) -> Judgement:
        machine = RehearsalMachine(unit, faults)
        return each.judge(each.measure(machine, about, Bench()), each.limits(about))

    assert tried().verdict is Verdict.PASS
    assert tried("memory-bad-cell").verdict is Verdict.FAIL
    assert "Slot 2" in tried("memory-bad-cell").reason
    assert "bit 17" in tried("memory-bad-cell").reason


@pytest.mark.parametrize("form", Form)
def test_no_good_memory_is_held_when_it_is_tried(form):
    each = check("memory.pattern")
    wrong = {}
    for seed in range(40):
        machine = RehearsalMachine(random_good_unit(seed, form))
        about = subject(PartKind.MEMORY, replaced("memory"), form=form, depth=Depth.SUSTAINED)
        judgement = each.judge(each.measure(machine, about, Bench()), each.limits(about))
        if judgement.verdict is not Verdict.PASS:
            wrong[seed] = judgement.reason

    assert wrong == {}


CARD_FAULTS = {
    "graphics-card-crooked": ("graphics.link", "runs at"),
    "graphics-pads-missing": ("graphics.heat", "memory"),
    "graphics-cooler-loose": ("graphics.heat", "compound"),
    "graphics-fan-off": ("graphics.heat", "fan"),
    "graphics-miscalculates": ("graphics.heat", "draws wrong"),
}
"""Faults of a card that show once it draws, each with a word of what is said."""


def of_card(unit: Unit, id: str, *faults: str, seed: int = 0) -> Judgement:
    it, machine = check(id), RehearsalMachine(unit, faults, seed)
    about = subject(PartKind.GRAPHICS, form=unit.form)
    return it.judge(it.measure(machine, about, Present(machine)), it.limits(about))


def with_card(seed: int, *, draws: bool = True) -> Unit:
    """The first good tower from `seed` on with a card that an open driver has draw, or none."""
    for later in range(seed, seed + 60):
        unit = random_good_unit(later, Form.TOWER)
        heat = unit.graphics[0].heat
        if heat is not None and (heat.draws and heat.sensor) is draws:
            return unit
    raise AssertionError(seed)


@pytest.mark.parametrize("seed", [0, 20, 40])
@pytest.mark.parametrize("fault", CARD_FAULTS)
def test_each_fault_of_a_card_shows_once_it_draws(fault, seed):
    id, word = CARD_FAULTS[fault]
    unit = with_card(seed)

    judgement = of_card(unit, id, fault)

    assert of_card(unit, id).verdict is Verdict.PASS
    assert judgement.verdict is Verdict.FAIL
    assert word in f"{judgement.reason}; {judgement.advice}"


def test_no_good_card_is_held_when_it_draws():
    wrong, told = {}, Counter()
    for seed in range(60):
        unit = random_good_unit(seed, Form.TOWER)
        for id in ("graphics.link", "graphics.heat"):
            judgement = of_card(unit, id, seed=seed)
            told[id, judgement.way] += 1
            if judgement.verdict not in (Verdict.PASS, Verdict.NOT_APPLICABLE):
                wrong[seed, id] = judgement.reason

    assert wrong == {}
    assert min(told["graphics.heat", way] for way in (Way.INSTRUMENT, Way.INFERRED, Way.OBSERVED)) >= 3


AT_WORK = {"processor-miscalculates": "processor.compute", "clock-sags": "processor.clock"}


def at_work(unit: Unit, id: str, *faults: str) -> Judgement:
    each = check(id)
    about = subject(PartKind.PROCESSOR, form=unit.form)
    return each.judge(each.measure(RehearsalMachine(unit, faults), about, Bench()), each.limits(about))


@pytest.mark.parametrize("fault", AT_WORK)
def test_each_fault_of_a_processor_at_work_shows_in_its_check_alone(fault):
    unit = load_unit(DEMO)

    found = {id: at_work(unit, id, fault).verdict for id in AT_WORK.values()}

    assert {id for id, verdict in found.items() if verdict is Verdict.FAIL} == {AT_WORK[fault]}
    assert {at_work(unit, id).verdict for id in AT_WORK.values()} == {Verdict.PASS}


def test_the_core_that_errs_is_named_with_every_sort_that_it_got_wrong():
    unit = load_unit(DEMO)

    judgement = at_work(unit, "processor.compute", "processor-miscalculates")

    last = unit.package.cores - 1
    assert judgement.reason == (
        f"core {last} computes wrong under load (integer and floating-point and matrix)"
    )


@pytest.mark.parametrize("form", Form)
def test_no_good_processor_is_held_when_it_works(form):
    wrong, told = {}, Counter()
    for seed in range(100):
        for id in AT_WORK.values():
            judgement = at_work(random_good_unit(seed, form), id)
            told[judgement.verdict] += 1
            if judgement.verdict not in (Verdict.PASS, Verdict.NOT_APPLICABLE):
                wrong[seed, id] = judgement.reason

    assert wrong == {}
    assert told[Verdict.PASS] > 150
