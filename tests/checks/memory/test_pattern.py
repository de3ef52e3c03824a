"""Memory that is tried: bad cells, trials that prove too little, and a unit that gets hot meanwhile."""

from __future__ import annotations

import pytest

from checks.measures.march import ROUNDS, WORD_TOLD
from checks.memory.pattern import PATTERN
from reports.model.evidence import Why
from reports.model.finding import Cannot, Depth, Limit, Origin, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import (
    GIB,
    absent,
    bad_word,
    judged,
    laptop,
    part,
    replaced,
    said,
    slot,
    subject,
    trial,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

MEMORY = PartKind.MEMORY
WORKED = subject(MEMORY, replaced("memory"), depth=Depth.SUSTAINED)
IN_THE_WAY = subject(MEMORY)


def pattern(about=WORKED, machine=None, **changes):
    return judged(PATTERN, machine or laptop(memory_trial=trial(**changes)), about)[0]


@shows("memory.pattern", PASSES)
def test_memory_that_keeps_everything_passes_and_says_how_much_of_it_was_tried():
    judgement = pattern()

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "no bad cell in 90 % of the free memory, 10 of 10 rounds of March C-"


@shows("memory.pattern", FAILS)
def test_a_stuck_bit_fails_and_the_module_is_named():
    judgement = pattern(wrong=said(20), words=(bad_word("Slot 2"), bad_word("Slot 2", bits=1 << 3)))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == (
        "memory in Slot 2 read wrong at physical address 0x1f3a4c8: bits 3 and 17 of 64, in 2 words"
    )
    assert judgement.advice.startswith("reseat the module in Slot 2 and run again, then put it into another")


@pytest.mark.parametrize(
    "changes",
    [{"rounds": said(0)}, {"tried": said(GIB // 2)}, {"smallest": said(4096)}, {"cache": absent()}],
)
def test_a_bad_cell_is_a_fault_however_little_was_tried(changes):
    assert pattern(wrong=said(1), words=(bad_word("Slot 1"),), **changes).verdict is Verdict.FAIL


def test_where_the_firmware_does_not_say_which_module_one_is_tried_at_a_time():
    judgement = pattern(wrong=said(1), words=(bad_word(modules=absent(Why.NOT_PERMITTED)),))

    assert "one module at a time" in judgement.advice
    assert "Slot" not in judgement.reason


def test_interleaved_modules_are_both_named_and_neither_is_accused():
    judgement = pattern(wrong=said(1), words=(bad_word("Slot 1", "Slot 2"),))

    assert "in Slot 1 or Slot 2" in judgement.reason
    assert "one module at a time" in judgement.advice


def test_soldered_memory_is_not_to_be_reseated():
    chips = slot("Board", form_factor=said("Row Of Chips"))
    machine = laptop(memory_slots=(chips,), memory_trial=trial(wrong=said(1), words=(bad_word("Board"),)))

    assert "reseat" not in pattern(machine=machine).advice
    assert "replace the board" in pattern(machine=machine).advice


def test_a_fault_that_comes_and_goes_is_still_a_fault():
    judgement = pattern(wrong=said(1), words=(bad_word("Slot 1", read=absent(Why.DID_NOT_ANSWER)),))

    assert judgement.verdict is Verdict.FAIL
    assert "right again when read once more" in judgement.reason


@shows("memory.pattern", BOUNDARY)
@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({"smallest": said(64 * 2**20, "bytes")}, Verdict.PASS),
        ({"smallest": said(64 * 2**20 - 1, "bytes")}, Verdict.INCONCLUSIVE),
        ({"tried": said(6 * GIB, "bytes")}, Verdict.PASS),
        ({"tried": said(6 * GIB - 2**20, "bytes")}, Verdict.INCONCLUSIVE),
        ({"rounds": said(WORD_TOLD)}, Verdict.PASS),
        ({"rounds": said(WORD_TOLD - 1), "ended": said("its time was up")}, Verdict.INCONCLUSIVE),
    ],
)
def test_a_trial_must_reach_past_the_cache_over_enough_memory_and_through_enough_rounds(changes, verdict):
    assert pattern(**changes).verdict is verdict


def test_a_small_unit_is_told_how_much_memory_would_have_to_be_free():
    small = {"available": said(300e6, "bytes"), "tried": said(170e6, "bytes"), "cache": said(12e6, "bytes")}
    judgement = pattern(**small, smallest=said(85e6, "bytes"))

    assert judgement.reason == (
        "only 85 MB could be tried in one piece, and 96 MB are needed to try more than the processor's cache"
    )
    assert judgement.advice.startswith("free about 11 MB more and run again: end what else runs, or start")


def test_a_busy_unit_is_told_how_much_memory_would_have_to_be_free_and_what_took_it():
    busy = {"available": said(1000e6, "bytes"), "tried": said(500e6, "bytes")}
    judgement = pattern(**busy, smallest=said(250e6), ended=said("the system ran short of memory"))

    assert judgement.reason == (
        "only 50 % of the free memory could be tried, at least 60: the system ran short of memory"
    )
    assert judgement.advice.startswith("free about 250 MB more")


def test_a_part_that_was_only_in_the_way_is_tried_by_a_quick_share():
    quick = {"tried": said(4 * GIB, "bytes"), "rounds": said(2)}

    assert pattern(IN_THE_WAY, **quick).verdict is Verdict.PASS
    assert pattern(WORKED, **quick).verdict is Verdict.INCONCLUSIVE


@shows("memory.pattern", CANNOT)
@pytest.mark.parametrize(
    ("facts", "cannot"),
    [
        (absent(Why.NOT_PERMITTED), Cannot.NOT_PERMITTED),
        (trial(cache=absent()), Cannot.CANNOT_TELL),
        (trial(rounds=said(0), ended=said("a worker was ended by the system")), Cannot.CANNOT_TELL),
    ],
)
def test_a_trial_that_could_not_be_made_is_inconclusive(facts, cannot):
    judgement = pattern(machine=laptop(memory_trial=facts))

    assert (judgement.verdict, judgement.cannot) == (Verdict.INCONCLUSIVE, cannot)


def test_what_ended_a_trial_early_is_said():
    judgement = pattern(rounds=said(3), ended=said("the system ran short of memory"))

    assert judgement.reason == "3 of at least 7 rounds were done: the system ran short of memory"


# -- asking --------------------------------------------------------------------------------------------


def asked(about):
    heard = []

    def remember(*arguments):
        heard.append(arguments[:3])
        return trial()

    pattern(about, laptop(memory_trial=remember))
    return heard[0]


def test_worked_memory_is_tried_whole_and_other_memory_quickly():
    assert asked(WORKED) == (0.9, len(ROUNDS), 480.0)
    assert asked(IN_THE_WAY) == (0.4, 2, 60.0)


def test_a_service_map_sets_how_much_is_tried_and_for_how_long():
    slow = part(
        MEMORY,
        limits=(
            Limit("trial_seconds_most", 200.0, "s", Origin.SERVICE_MAP),
            Limit("trial_share", 50.0, "%", Origin.SERVICE_MAP),
        ),
    )

    assert asked(subject(MEMORY, replaced("memory"), about=slow, depth=Depth.SUSTAINED)) == (0.5, 10, 200.0)


def looked_on(temperatures, **facts):
    """The trial of a unit whose sensor says this, one after the other."""
    left = iter(temperatures)
    machine = laptop(**facts)

    def run(share, rounds, seconds, watch):
        machine.facts["temperature"] = next(left)
        while watch(0.5):
            machine.facts["temperature"] = next(left)
        return trial(rounds=said(0), ended=said("it was told to stop"))

    machine.facts["memory_trial"] = run
    return pattern(machine=machine)


def test_a_unit_that_gets_too_hot_is_no_longer_tried():
    judgement = looked_on([said(80.0, "celsius"), said(96.0, "celsius")])

    assert judgement.cannot is Cannot.PRECONDITION
    assert "96 celsius reached, and 95 is safe" in judgement.reason


def test_a_sensor_that_goes_blind_ends_the_trial():
    judgement = looked_on([said(80.0, "celsius"), *[absent(Why.DID_NOT_ANSWER)] * 3])

    assert "stopped answering" in judgement.reason


def test_a_unit_without_a_sensor_is_tried_all_the_same():
    assert pattern(machine=laptop(processor_sensor=None)).verdict is Verdict.PASS
