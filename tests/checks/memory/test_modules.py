"""Memory: what a technician is told of modules that are missing, wrong, mixed or not used."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest

from checks.memory.modules import CAPACITY, MODULES, Capacity, Modules, judge_capacity, judge_modules
from reports.model.evidence import Why
from reports.model.finding import Cannot, Depth, Limit, Limits, Origin, Verdict, Way
from reports.model.order import Action, Expected, Line, Piece
from reports.model.servicemap import PartKind
from tests.support.machines import GIB, Bench, absent, judged, laptop, part, replaced, said, slot, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

VECTORS = Path(__file__).parents[2] / "vectors" / "smbios"
MEMORY = PartKind.MEMORY


def ordered(gib=16, **expected):
    return replaced("memory", expected=Expected(capacity_bytes=gib * GIB, **expected))


def capacity(*lines, machine=None, **about):
    return judged(CAPACITY, machine or laptop(), subject(MEMORY, *lines, **about))[0]


def modules(*lines, machine=None, person=None, **about):
    return judged(MODULES, machine or laptop(), subject(MEMORY, *lines, **about), person)[0]


def with_slots(*slots, total_gib=None):
    fitted = sum(int(each.capacity.value) for each in slots)
    total = fitted - 400 * 2**20 if total_gib is None else int(total_gib * GIB)
    return laptop(memory_slots=slots, memory_total=said(total, "bytes"))


# -- capacity -------------------------------------------------------------------------------------------


@shows("memory.capacity", PASSES)
def test_all_of_the_ordered_memory_passes_and_the_reserved_share_is_explained():
    judgement = capacity(ordered())

    assert judgement.verdict is Verdict.PASS
    assert judgement.way is Way.INSTRUMENT
    assert judgement.measured.value == 16 * GIB
    assert judgement.limit.origin is Origin.ORDER_LINE
    assert "0.4 GiB reserved" in judgement.reason


@shows("memory.capacity", FAILS)
def test_a_module_that_is_not_seated_fails():
    judgement = capacity(ordered(), machine=with_slots(slot("Slot 1"), slot("Slot 2", 0)))

    assert judgement.verdict is Verdict.FAIL
    assert "7.6 GiB, the order says 16 GiB" in judgement.reason
    assert judgement.advice.startswith("reseat the modules")


@shows("memory.capacity", BOUNDARY)
def test_one_byte_less_than_ordered_fails():
    limits = Limits((Limit("capacity_bytes", 16 * GIB, "bytes", Origin.ORDER_LINE),))

    exact = judge_capacity(Capacity((said(16 * GIB, "bytes"),), absent()), limits)
    short = judge_capacity(Capacity((said(16 * GIB - 1, "bytes"),), absent()), limits)

    assert exact.verdict is Verdict.INCONCLUSIVE  # the size is right, and whether it is used is not known
    assert short.verdict is Verdict.FAIL


def test_reserved_memory_is_no_fault_until_it_reaches_a_module():
    reserved = 3 * GIB
    fitted = (slot("Slot 1", 4), slot("Slot 2", 4))

    just = capacity(machine=with_slots(*fitted, total_gib=4 + 1 / GIB))
    whole = capacity(machine=with_slots(*fitted, total_gib=4))

    assert reserved < 4 * GIB
    assert just.verdict is Verdict.PASS
    assert whole.verdict is Verdict.FAIL
    assert "only 4 GiB of it is used" in whole.reason


def test_a_large_graphics_share_of_small_soldered_chips_is_no_fault():
    chips = tuple(replace(slot(f"Chip {index}", 2), form_factor=said("Row Of Chips")) for index in range(4))

    assert capacity(machine=with_slots(*chips, total_gib=5.5)).verdict is Verdict.PASS


@shows("memory.capacity", CANNOT)
@pytest.mark.parametrize(
    ("why", "cannot"),
    [
        (Why.NOT_PERMITTED, Cannot.NOT_PERMITTED),
        (Why.NOT_UNDERSTOOD, Cannot.NOT_UNDERSTOOD),
        (Why.DID_NOT_ANSWER, Cannot.DID_NOT_ANSWER),
    ],
)
def test_a_table_that_cannot_be_read_is_inconclusive_even_if_the_total_is_right(why, cannot):
    judgement = capacity(ordered(), machine=laptop(memory_slots=absent(why)))

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert judgement.cannot is cannot


def test_too_little_is_seen_from_the_total_alone():
    machine = laptop(memory_slots=absent(Why.NOT_PERMITTED), memory_total=said(int(7.6 * GIB), "bytes"))

    assert capacity(ordered(), machine=machine).verdict is Verdict.FAIL


def test_a_unit_without_a_firmware_table_passes_by_its_total():
    judgement = capacity(ordered(), machine=laptop(memory_slots=absent()))

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INFERRED)


def test_without_a_table_and_without_an_order_nothing_can_be_told():
    assert capacity(machine=laptop(memory_slots=absent())).cannot is Cannot.CANNOT_TELL


def test_more_than_ordered_is_another_units_memory():
    judgement = capacity(ordered(8))

    assert judgement.verdict is Verdict.FAIL
    assert "compare the modules' labels" in judgement.advice


def test_an_order_in_decimal_gigabytes_means_the_usual_modules():
    line = replaced("memory", expected=Expected(capacity_bytes=16 * 10**9))

    assert capacity(line).verdict is Verdict.PASS


def test_one_of_two_modules_ordered_sets_only_the_least():
    first, second = part(MEMORY, "memory-1"), part(MEMORY, "memory-2")
    line = replaced("memory-2", expected=Expected(capacity_bytes=8 * GIB))

    assert capacity(line, about=second, peers=(first, second)).verdict is Verdict.PASS


def test_after_work_on_the_processor_the_advice_names_its_socket():
    broken = with_slots(slot("Slot 1"), slot("Slot 2", 0))

    with_it = capacity(ordered(), machine=broken, worked=(part(PartKind.PROCESSOR),))
    without = capacity(ordered(), machine=broken)

    assert "processor in its socket" in with_it.advice
    assert "processor" not in without.advice


def test_a_size_unknown_to_the_firmware_is_no_empty_slot():
    slots = (slot("Slot 1"), replace(slot("Slot 2"), capacity=absent()))

    machine = laptop(memory_slots=slots, memory_total=said(int(7.6 * GIB), "bytes"))

    judgement = capacity(machine=machine)

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert judgement.reason.startswith("the size of a memory device could not be read")


def test_a_table_that_lists_less_than_the_kernel_has_is_not_believed():
    machine = laptop(memory_slots=(slot("Slot 1"),))

    assert capacity(machine=machine).cannot is Cannot.CANNOT_TELL


@pytest.mark.parametrize(
    "row",
    list(csv.DictReader((VECTORS / "smbios-type17.csv").read_text().splitlines())),
    ids=lambda row: row["dmidecode_size"],
)
def test_every_size_that_a_firmware_table_can_hold_is_judged(row):
    mebibytes = row["expected_mebibytes"]
    device = said(int(float(mebibytes) * 2**20), "bytes") if mebibytes else absent()
    size = device.value if mebibytes else 0

    judgement = judge_capacity(Capacity((device,), said(size, "bytes")), Limits())

    assert judgement.verdict is (Verdict.PASS if size else Verdict.INCONCLUSIVE)


# -- modules --------------------------------------------------------------------------------------------


@shows("memory.modules", PASSES)
def test_the_ordered_modules_pass_by_serial():
    line = replaced(
        "memory", fitted=Piece("4C1907A2"), expected=Expected(modules=2, megatransfers_per_s=3200)
    )

    judgement = modules(line)

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)
    assert "2 of 2 slots filled: Slot 1 8 GiB DDR4" in judgement.reason


@shows("memory.modules", FAILS)
def test_an_empty_slot_is_named():
    machine = with_slots(slot("Slot 1"), slot("Slot 2", 0))

    judgement = modules(ordered(modules=2), machine=machine)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "1 of 2 memory modules found, empty: Slot 2"


def test_another_module_than_ordered_fails():
    judgement = modules(replaced("memory", fitted=Piece("99999999")))

    assert judgement.verdict is Verdict.FAIL
    assert "99999999" in judgement.reason
    assert "4C1907A1" in judgement.reason


def test_the_old_module_left_in_fails():
    line = replaced("memory", fitted=Piece("4C1907A1"), removed=Piece("4C1907A2"))

    assert modules(line).reason == "the module that was to come out is still fitted: 4C1907A2"


def test_a_substitute_passes_and_another_part_number_fails():
    fitted = Piece(part_number="HG-D4S-8G26")

    assert modules(replaced("memory", fitted=fitted)).verdict is Verdict.FAIL
    assert modules(replaced("memory", fitted=fitted, substitutes=("HG-D4S-8G32",))).verdict is Verdict.PASS


def test_a_known_serial_proves_the_piece_whatever_its_part_number():
    line = replaced("memory", fitted=Piece("4C1907A1", "shop number 12"))

    assert modules(line).verdict is Verdict.PASS


def test_modules_that_do_not_tell_who_they_are_pass_by_their_count_and_not_without():
    silent = tuple(slot(name, serial=said("00000000"), part_number=said("Unknown")) for name in ("A1", "B1"))
    machine = laptop(memory_slots=silent)
    fitted = Piece("4C1907A1", "HG-D4S-8G32")

    counted = modules(replaced("memory", fitted=fitted, expected=Expected(modules=2)), machine=machine)
    alone = modules(replaced("memory", fitted=fitted), machine=machine)

    assert (counted.verdict, counted.way) == (Verdict.PASS, Way.INFERRED)
    assert alone.cannot is Cannot.CANNOT_TELL


def test_a_refitted_module_must_be_the_one_that_came_out():
    line = Line("memory", Action.REFITTED, removed=Piece("5D000001"))

    assert modules(line).verdict is Verdict.FAIL


@shows("memory.modules", BOUNDARY)
@pytest.mark.parametrize(("least", "verdict"), [(3200, Verdict.PASS), (3201, Verdict.FAIL)])
def test_the_ordered_speed_is_enough_and_less_is_not(least, verdict):
    assert modules(ordered(megatransfers_per_s=least)).verdict is verdict


def test_modules_that_run_at_different_speeds_fail():
    machine = with_slots(slot("Slot 1"), slot("Slot 2", configured_speed=said(1600, "MT/s")))

    judgement = modules(machine=machine)

    assert judgement.verdict is Verdict.FAIL
    assert "Slot 1 3200, Slot 2 1600" in judgement.reason


def test_a_firmware_that_gives_the_clock_for_the_transfers_is_no_fault():
    clock = said(1600, "MT/s")
    machine = with_slots(slot("Slot 1", configured_speed=clock), slot("Slot 2", configured_speed=clock))

    assert modules(ordered(megatransfers_per_s=3200), machine=machine).verdict is Verdict.PASS


def test_modules_of_two_generations_fail():
    assert (
        modules(machine=with_slots(slot("Slot 1"), slot("Slot 2", memory_type=said("DDR5")))).verdict
        is Verdict.FAIL
    )


def test_one_module_in_two_slots_is_sound_and_the_channels_are_only_mentioned():
    lopsided = with_slots(slot("Slot 1", 8), slot("Slot 2", 4))

    assert modules(machine=with_slots(slot("Slot 1"), slot("Slot 2", 0))).verdict is Verdict.PASS
    assert "not filled alike" in modules(machine=lopsided).reason
    assert modules(machine=lopsided).verdict is Verdict.PASS


def test_soldered_memory_is_not_counted_against_the_order():
    soldered = slot("Onboard", 8, form_factor=said("Row Of Chips"))

    assert modules(ordered(modules=1), machine=with_slots(soldered, slot("Slot 1"))).verdict is Verdict.PASS


def test_who_put_the_modules_back_is_asked_where_a_slot_is_empty():
    machine, person = with_slots(slot("Slot 1"), slot("Slot 2", 0)), Bench({"memory.put_back": "2"})

    judgement = modules(machine=machine, person=person)

    assert (judgement.verdict, judgement.way) == (Verdict.FAIL, Way.OBSERVED)
    assert judgement.reason == "1 of 2 memory modules put back were found, empty: Slot 2"
    assert modules(machine=machine, person=Bench({"memory.put_back": "1"})).verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("machine", "about"),
    [
        (laptop(), {}),
        (with_slots(slot("Slot 1"), slot("Slot 2", 0)), {"depth": Depth.PRESENCE}),
    ],
)
def test_nobody_is_asked_what_the_unit_tells_or_nobody_touched(machine, about):
    person = Bench()

    modules(machine=machine, person=person, **about)

    assert person.asked == []


@shows("memory.modules", CANNOT)
def test_without_the_table_the_modules_are_inconclusive():
    judgement = modules(machine=laptop(memory_slots=absent(Why.NOT_PERMITTED)))

    assert judgement.cannot is Cannot.NOT_PERMITTED
    assert judgement.advice == "run again as root"


def test_a_fault_that_was_seen_fails_beside_a_slot_that_did_not_tell():
    slots = (slot("Slot 1", capacity=absent()), slot("Slot 2", 0))

    judgement = judge_modules(Modules(slots, absent()), Limits((Limit("modules", 2, "", Origin.ORDER_LINE),)))

    assert judgement.verdict is Verdict.FAIL


def test_an_ordered_speed_that_the_firmware_does_not_tell_is_inconclusive():
    quiet = tuple(slot(name, configured_speed=absent()) for name in ("Slot 1", "Slot 2"))

    judgement = modules(ordered(megatransfers_per_s=3200), machine=with_slots(*quiet))

    assert judgement.verdict is Verdict.INCONCLUSIVE
