"""As it came in: what is gone, exchanged or new without a line on the order, and settings that flipped."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.board import inside
from checks.board.intake import INSIDE, OUTSIDE
from checks.registry import check
from reports.model.baseline import SCHEMA, Baseline, Inside, Intake, Noted, Settings
from reports.model.evidence import Why
from reports.model.finding import Cannot, Origin, Verdict, Way
from reports.model.order import Action, Line
from reports.model.servicemap import PartKind
from tests.support.machines import (
    Bench,
    absent,
    camera,
    drive,
    identity,
    judged,
    laptop,
    part,
    radio,
    replaced,
    said,
    settings,
    slot,
    stick,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

BOARD_PART = part(PartKind.BOARD)
CAME_IN = laptop()


def taken(machine=CAME_IN, *noted, **changes) -> Baseline:
    """What was recorded of `machine` at intake."""
    plain = Baseline(
        SCHEMA, "LM-2093", Intake.RAN, "", "2026-03-02T08:00:00Z", machine.identity(), "it shows", noted,
        absent(), inside.devices_inside(machine), machine.firmware_settings(),
    )  # fmt: skip
    return replace(plain, **changes)


def same(kind, *lines, baseline=None, person=None, peers=(), worked=(), **facts):
    about = subject(kind, *lines, baseline=baseline or taken(), peers=peers, worked=worked)
    return judged(check(f"{kind}.same"), laptop(**facts), about, person)[0]


STORAGE, MEMORY, WIRELESS, CAMERA = PartKind.STORAGE, PartKind.MEMORY, PartKind.WIRELESS, PartKind.CAMERA

EXCHANGED = {
    STORAGE: {"drives": (drive(serial=said("HN5-99999999")), stick())},
    MEMORY: {"memory_slots": (slot("Slot 1"), slot("Slot 2", serial=said("5D000001")))},
    WIRELESS: {"radios": (radio(model=said("one-chain card")),)},
    CAMERA: {"cameras": (camera(model=said("another camera")),)},
}
GONE = {
    STORAGE: {"drives": (stick(),)},
    MEMORY: {"memory_slots": (slot("Slot 1"), slot("Slot 2", gib=0))},
    WIRELESS: {"radios": ()},
    CAMERA: {"cameras": ()},
}
NEW = {
    STORAGE: {"drives": (drive(), drive(id="pci-0000:00:17.0-ata-2", serial=said("HS-3")), stick())},
    MEMORY: {"memory_slots": (slot("Slot 1"), slot("Slot 2"), slot("Slot 3"))},
    WIRELESS: {"radios": (radio(), radio(id="pci-0000:03:00.0", model=said("second card")))},
    CAMERA: {"cameras": (camera(), camera(id="pci-0000:05:00.0", model=said("second camera")))},
}
SILENT = {
    STORAGE: {"drives": absent(Why.NOT_PERMITTED)},
    MEMORY: {"memory_slots": absent(Why.NOT_PERMITTED)},
    WIRELESS: {"radios": absent(Why.DID_NOT_ANSWER)},
    CAMERA: {"cameras": absent(Why.DID_NOT_ANSWER)},
}
KINDS = (STORAGE, MEMORY, WIRELESS, CAMERA)
each_kind = pytest.mark.parametrize("kind", KINDS)


@shows("storage.same", PASSES)
@shows("memory.same", PASSES)
@shows("wireless.same", PASSES)
@shows("camera.same", PASSES)
@each_kind
def test_what_came_in_and_is_still_there_passes(kind):
    judgement = same(kind)

    assert judgement.verdict is Verdict.PASS
    assert judgement.limit.origin is Origin.BASELINE


@shows("storage.same", FAILS)
@shows("memory.same", FAILS)
@shows("wireless.same", FAILS)
@shows("camera.same", FAILS)
@each_kind
def test_what_was_exchanged_without_a_line_on_the_order_fails_with_both_names(kind):
    judgement = same(kind, **EXCHANGED[kind])

    assert judgement.verdict is Verdict.FAIL
    assert "of intake is now" in judgement.reason
    assert "order" in judgement.advice


@each_kind
def test_what_is_gone_without_a_line_on_the_order_fails(kind):
    judgement = same(kind, **GONE[kind])

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason.startswith("there at intake, and gone")


@each_kind
def test_what_is_new_without_a_line_on_the_order_fails(kind):
    judgement = same(kind, **NEW[kind])

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason.startswith("not there at intake, and new")


@shows("storage.same", BOUNDARY)
@shows("memory.same", BOUNDARY)
@shows("wireless.same", BOUNDARY)
@shows("camera.same", BOUNDARY)
@each_kind
def test_one_replaced_part_lets_one_device_change_and_no_more(kind):
    one, other = part(kind, "first"), part(kind, "second")
    line = replaced("first")
    two = {
        STORAGE: {"drives": (drive(), drive(id="pci-9", serial=said("HS-3"), model=said("HS")))},
        MEMORY: {"memory_slots": (slot("Slot 1"), slot("Slot 2"))},
        WIRELESS: {"radios": (radio(), radio(id="pci-9", model=said("second card")))},
        CAMERA: {"cameras": (camera(), camera(id="pci-9", model=said("second camera")))},
    }[kind]
    baseline = taken(laptop(**two))
    ((name, (first, second)),) = two.items()
    changed = {"serial": said("ZZ-1")} if hasattr(first, "serial") else {"model": said("a new one")}
    one_new, both_new = (
        {name: (replace(first, **changed), second)},
        {name: (replace(first, **changed), replace(second, **changed))},
    )

    about = {"baseline": baseline, "peers": (one, other)}
    assert same(kind, line, **about, **one_new).verdict is Verdict.PASS
    assert same(kind, line, **about, **both_new).verdict is Verdict.FAIL


@shows("storage.same", CANNOT)
@shows("memory.same", CANNOT)
@shows("wireless.same", CANNOT)
@shows("camera.same", CANNOT)
@each_kind
def test_a_list_that_cannot_be_read_is_inconclusive_and_no_loss(kind):
    judgement = same(kind, **SILENT[kind])

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert judgement.cannot in (Cannot.NOT_PERMITTED, Cannot.DID_NOT_ANSWER)


@each_kind
def test_without_a_record_of_intake_there_is_nothing_to_compare(kind):
    assert same(kind, baseline=taken(inside=Inside())).verdict is Verdict.NOT_APPLICABLE


@each_kind
def test_the_only_part_of_its_kind_replaced_may_be_anything(kind):
    assert same(kind, replaced(kind.value), **EXCHANGED[kind]).verdict is Verdict.PASS


def test_a_line_for_the_only_part_of_its_kind_stands_for_all_of_its_modules():
    both = (slot("Slot 1", serial=said("5D000001")), slot("Slot 2", serial=said("5D000002")))

    assert same(MEMORY, replaced("memory"), memory_slots=both).verdict is Verdict.PASS
    assert same(MEMORY, memory_slots=both).verdict is Verdict.FAIL


@each_kind
def test_what_appears_after_the_board_was_worked_on_may_be_what_the_repair_was_for(kind):
    board = {"worked": (BOARD_PART,)}

    assert same(kind, Line("board", Action.REFITTED), **board, **NEW[kind]).verdict is Verdict.PASS
    assert same(kind, Line("board", Action.REFITTED), **board, **GONE[kind]).verdict is Verdict.FAIL


def test_what_appears_where_intake_found_it_missing_is_no_fault():
    noted = Noted("storage.present", "storage", Verdict.FAIL, "no drive was found")

    assert same(STORAGE, baseline=taken(CAME_IN, noted), **NEW[STORAGE]).verdict is Verdict.PASS


def test_modules_that_changed_slots_are_the_same_modules():
    swapped = (slot("Slot 1", serial=said("4C1907A2")), slot("Slot 2", serial=said("4C1907A1")))

    assert same(MEMORY, memory_slots=swapped).verdict is Verdict.PASS


def test_soldered_memory_changes_with_the_board_and_a_module_does_not():
    soldered = tuple(slot(f"Slot {n}", form_factor=said("Row Of Chips")) for n in (1, 2))
    other = tuple(replace(each, serial=said(f"5D00000{n}")) for n, each in enumerate(soldered, 1))
    board, line = {"worked": (BOARD_PART,)}, replaced("board")
    baseline = taken(laptop(memory_slots=soldered))

    assert same(MEMORY, line, baseline=baseline, **board, memory_slots=other).verdict is Verdict.PASS
    assert same(MEMORY, baseline=baseline, memory_slots=other).verdict is Verdict.FAIL
    assert same(MEMORY, line, **board, **EXCHANGED[MEMORY]).verdict is Verdict.FAIL


def test_another_bus_path_behind_a_new_board_is_no_change():
    moved = (radio(id="pci-0000:6f:00.0"),)

    assert same(WIRELESS, replaced("board"), worked=(BOARD_PART,), radios=moved).verdict is Verdict.PASS


def test_sticks_and_other_drives_on_usb_are_no_part_of_the_unit():
    outside = drive(id="usb-9", transport=said("usb"), serial=said("U-1"))

    assert same(STORAGE, drives=(drive(), outside)).verdict is Verdict.PASS
    assert same(STORAGE, baseline=taken(laptop(drives=(drive(), outside, stick())))).verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("answer", "verdict"),
    [(OUTSIDE, Verdict.PASS), (INSIDE, Verdict.FAIL), (None, Verdict.FAIL)],
)
def test_a_camera_on_usb_that_is_gone_may_have_been_plugged_in_from_outside(answer, verdict):
    person = Bench({"camera.outside": answer} if answer else {})
    two = taken(laptop(cameras=(camera(), camera(id="usb-9", model=said("on the desk")))))

    assert same(CAMERA, baseline=two, person=person).verdict is verdict
    assert person.asked == ["camera.outside"]


def test_nobody_is_asked_when_nothing_is_gone():
    person = Bench()
    same(CAMERA, person=person)

    assert person.asked == []


# -- the board ---------------------------------------------------------------------------------------


def board(*lines, baseline=None, **members):
    about = subject(PartKind.BOARD, *lines, baseline=baseline or taken())
    return judged(check("board.same"), laptop(identity=identity(**members)), about)[0]


@shows("board.same", PASSES)
def test_the_board_that_came_in_passes():
    assert board().verdict is Verdict.PASS
    assert board().limit.origin is Origin.BASELINE


@shows("board.same", FAILS)
@pytest.mark.parametrize("changed", [{"board_serial": "FB-1"}, {"firmware_version": "1.09"}])
def test_another_board_or_firmware_that_is_not_on_the_order_fails(changed):
    judgement = board(**changed)

    assert judgement.verdict is Verdict.FAIL
    assert next(iter(changed.values())) in judgement.reason


@shows("board.same", BOUNDARY)
def test_another_spelling_is_no_change_and_one_more_digit_is():
    assert board(board_serial="fb 88041207").verdict is Verdict.PASS
    assert board(board_serial="FB-880412070").verdict is Verdict.FAIL


@shows("board.same", CANNOT)
def test_a_serial_that_cannot_be_read_is_inconclusive():
    assert board(board_serial=absent(Why.NOT_PERMITTED)).cannot is Cannot.NOT_PERMITTED


def test_a_board_on_the_order_is_for_another_check():
    assert board(replaced("board"), board_serial="FB-1").verdict is Verdict.NOT_APPLICABLE


def test_what_the_firmware_never_told_is_not_compared():
    blank = taken(laptop(identity=identity(board_serial="Default string", firmware_version=absent())))

    assert board(baseline=blank, board_serial="FB-1").verdict is Verdict.NOT_APPLICABLE


# -- settings ----------------------------------------------------------------------------------------


def flipped(*lines, before=None, worked=(), **changes):
    came_in = taken(settings=before or settings(boot=("Owner's", "Second")))
    about = subject(PartKind.BOARD, *lines, baseline=came_in, worked=worked)
    now = settings(**{"boot": ("Owner's", "Second"), **changes})
    return judged(check("board.settings"), laptop(firmware_settings=now), about)[0]


@shows("board.settings", PASSES)
def test_settings_as_at_intake_pass_and_are_named():
    judgement = flipped()

    assert judgement.verdict is Verdict.PASS
    assert judgement.way is Way.INSTRUMENT
    assert judgement.reason == "as at intake: Secure Boot, storage controller, systems to start"


@shows("board.settings", FAILS)
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"secure_boot": False}, "Secure Boot is off, and it was on at intake"),
        ({"controller_mode": said("RAID")}, "set to RAID, at intake it was AHCI"),
        ({"boot": ("Owner's",)}, "no longer lists Second"),
        ({"boot": ()}, "no longer lists Owner's"),
        ({"boot": ("Second", "Owner's")}, "now tries Second first"),
        ({"boot": ("Stranger", "Owner's", "Second")}, "now tries Stranger first"),
    ],
)
def test_a_setting_that_flipped_fails_and_says_how_it_was(changes, words):
    judgement = flipped(**changes)

    assert judgement.verdict is Verdict.FAIL
    assert words in judgement.reason
    assert judgement.limit.origin is Origin.BASELINE


@shows("board.settings", BOUNDARY)
def test_a_system_added_behind_those_of_intake_is_no_fault_and_one_before_them_is():
    assert flipped(boot=("Owner's", "Second", "Added")).verdict is Verdict.PASS
    assert flipped(boot=("Added", "Owner's", "Second")).verdict is Verdict.FAIL


@shows("board.settings", CANNOT)
def test_a_stick_started_the_old_way_cannot_see_the_settings():
    judgement = flipped(secure_boot=True, boot_entries=absent(), controller_mode=absent())

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert "the way it was started at intake" in judgement.advice


def test_a_flip_that_was_seen_fails_beside_what_could_not_be_read():
    assert flipped(secure_boot=False, boot_entries=absent()).verdict is Verdict.FAIL


@pytest.mark.parametrize("kind", [PartKind.BOARD, PartKind.STORAGE])
def test_a_new_board_or_drive_has_its_own_list_of_systems_but_settings_are_set_back(kind):
    about = {"worked": (part(kind),)}
    line = replaced(kind.value)

    assert flipped(line, **about, boot=()).verdict is Verdict.PASS
    assert flipped(line, **about, boot=(), secure_boot=False).verdict is Verdict.FAIL


def test_settings_nobody_recorded_are_not_compared():
    assert flipped(before=Settings()).verdict is Verdict.NOT_APPLICABLE
