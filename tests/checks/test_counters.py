"""What counted errors: memory that corrects itself, links that fail, a kernel that complains."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.counters import DURING_RUN, MEMORY, SINCE_START
from checks.machine import Complaint
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict, Way
from reports.model.servicemap import PartKind
from tests.support.machines import (
    absent,
    error_counts,
    judged,
    kernel_log,
    laptop,
    link_errors,
    module_errors,
    part,
    said,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

NO_COUNTER = absent(Why.NOT_SUPPORTED)
WITHOUT = error_counts(memory=NO_COUNTER, links=NO_COUNTER, machine_checks=NO_COUNTER)


def memory(*counts, about=None):
    machine = laptop(error_counts=error_counts(memory=counts))
    return judged(MEMORY, machine, about or subject(PartKind.MEMORY))[0]


def since(about=None, **changes):
    machine = laptop(error_counts=error_counts(**changes))
    return judged(SINCE_START, machine, about or subject(PartKind.BOARD))[0]


def during(now, before=None, about=None):
    machine = laptop(error_counts=now, error_counts_at_start=before or error_counts())
    return judged(DURING_RUN, machine, about or subject(PartKind.BOARD))[0]


@shows("memory.counters", PASSES)
def test_memory_that_counted_nothing_passes():
    assert memory(module_errors()).verdict is Verdict.PASS


@shows("memory.counters", FAILS)
def test_a_module_with_errors_that_nothing_corrected_fails_and_is_named():
    judgement = memory(module_errors(), module_errors(0, 1))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "Slot 1 gave 1 uncorrected error since the start"


@shows("memory.counters", BOUNDARY)
@pytest.mark.parametrize(("errors", "verdict"), [(0, Verdict.PASS), (1, Verdict.FAIL)])
def test_one_corrected_error_is_one_too_many(errors, verdict):
    assert memory(module_errors(errors)).verdict is verdict


def test_the_map_may_allow_a_few():
    few = part(PartKind.MEMORY, limits=(Limit("corrected_errors_most", 3, "", Origin.SERVICE_MAP),))

    assert memory(module_errors(3), about=subject(PartKind.MEMORY, about=few)).verdict is Verdict.PASS


@shows("memory.counters", CANNOT)
def test_a_counter_that_does_not_answer_is_inconclusive_unless_another_one_counted():
    silent = absent(Why.DID_NOT_ANSWER)

    assert memory(module_errors(silent)).cannot is Cannot.DID_NOT_ANSWER
    assert memory(module_errors(silent), module_errors(2)).verdict is Verdict.FAIL


def test_memory_without_error_correction_is_an_ordinary_limit():
    machine = laptop(error_counts=WITHOUT)

    assert judged(MEMORY, machine, subject(PartKind.MEMORY))[0].verdict is Verdict.NOT_APPLICABLE


@shows("board.counters", PASSES)
def test_a_sound_unit_complains_a_little_at_the_start():
    judgement = since(links=(link_errors(3, 1),), log=kernel_log(usb=2, other=40, pci_express=1))

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "no error that weighs since the start"


@shows("board.counters", FAILS)
@pytest.mark.parametrize(
    ("log", "words", "advice"),
    [
        (kernel_log(machine_check=1), "1 error of the sort machine check", "start again"),
        (kernel_log(drive=3), "3 errors of the sort drive since", "copy the data first"),
        (kernel_log(drive_link=11), "drive link", "cable at both ends"),
        (kernel_log(memory=1), "memory", "reseat the memory modules"),
        (kernel_log(heat=1), "heat", "fan and the cooler"),
    ],
)
def test_a_complaint_that_weighs_fails_and_names_what_to_look_at(log, words, advice):
    judgement = since(log=log)

    assert judgement.verdict is Verdict.FAIL
    assert words in judgement.reason
    assert advice in judgement.advice


def test_a_link_that_failed_for_good_is_named():
    judgement = since(links=(link_errors(), link_errors(fatal=1)))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == ("the link of the drive or its controller at pci-0000:01:00.0 failed for good")


@shows("board.counters", BOUNDARY)
@pytest.mark.parametrize(("lines", "verdict"), [(10, Verdict.PASS), (11, Verdict.FAIL)])
def test_a_drive_that_spins_up_slowly_writes_a_few_lines(lines, verdict):
    assert since(log=kernel_log(drive_link=lines)).verdict is verdict


@shows("board.counters", CANNOT)
def test_a_log_that_only_root_may_read_is_inconclusive():
    judgement = since(log=absent(Why.NOT_PERMITTED))

    assert judgement.cannot is Cannot.NOT_PERMITTED
    assert judgement.advice == "run again as root"


def test_a_log_that_lost_its_beginning_only_tells_of_the_rest():
    judgement = since(log=kernel_log(lost=True))

    assert judgement.way is Way.INFERRED
    assert "as far back" in judgement.reason


def test_links_that_do_not_count_are_an_ordinary_limit_and_ones_that_do_not_answer_are_not():
    assert since(links=NO_COUNTER).verdict is Verdict.PASS
    assert since(links=absent(Why.DID_NOT_ANSWER)).cannot is Cannot.DID_NOT_ANSWER


@shows("board.increase", PASSES)
def test_what_was_counted_before_the_run_is_not_counted_again():
    noisy = error_counts(
        memory=(module_errors(7, 1),), links=(link_errors(900, 4, 1),), log=kernel_log(drive=9, usb=1)
    )

    judgement = during(replace(noisy, log=kernel_log(drive=9, usb=3)), noisy)

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "no error that weighs during the run"


@shows("board.increase", FAILS)
@pytest.mark.parametrize(
    ("now", "words"),
    [
        (error_counts(memory=(module_errors(2),)), "2 corrected errors of the Slot 1 during the run"),
        (error_counts(memory=(module_errors(0, 1),)), "1 uncorrected error of the Slot 1 during the run"),
        (error_counts(links=(link_errors(nonfatal=1),)), "1 uncorrected error of the link of the drive"),
        (error_counts(links=(link_errors(1541),)), "1541 corrected errors of the link of the drive"),
        (error_counts(machine_checks=said(1)), "1 reported error of the processor during the run"),
        (error_counts(log=kernel_log(pci_express=1)), "sort PCI Express during the run"),
        (error_counts(log=kernel_log(drive_link=1)), "sort drive link during the run"),
    ],
)
def test_what_grew_while_the_unit_was_tried_fails(now, words):
    judgement = during(now)

    assert judgement.verdict is Verdict.FAIL
    assert words in judgement.reason


@shows("board.increase", BOUNDARY)
@pytest.mark.parametrize(("grown", "verdict"), [(1540, Verdict.PASS), (1541, Verdict.FAIL)])
def test_a_link_may_lose_the_bits_that_its_standard_allows(grown, verdict):
    before = error_counts(links=(link_errors(5),))

    assert during(error_counts(links=(link_errors(5 + grown),)), before).verdict is verdict


@shows("board.increase", CANNOT)
@pytest.mark.parametrize("member", ["memory", "links", "log"])
def test_what_could_be_counted_before_and_cannot_now_is_inconclusive(member):
    gone = replace(error_counts(), **{member: absent(Why.DID_NOT_ANSWER)})

    assert during(gone).cannot is Cannot.DID_NOT_ANSWER
    assert during(error_counts(), gone).cannot is Cannot.DID_NOT_ANSWER


def test_a_unit_that_counts_nothing_but_its_log_is_not_held():
    assert during(WITHOUT, WITHOUT).verdict is Verdict.PASS


def test_a_counter_that_began_anew_counts_from_nothing():
    before = error_counts(links=(link_errors(nonfatal=9),))

    assert during(error_counts(links=(link_errors(),)), before).verdict is Verdict.PASS
    assert during(error_counts(links=(link_errors(nonfatal=2),)), before).verdict is Verdict.FAIL


def test_a_device_that_came_during_the_run_counts_from_nothing():
    assert during(error_counts(links=(link_errors(nonfatal=1),)), error_counts(links=())).measured.value == 1


def test_a_fault_that_was_seen_is_a_fault_beside_a_log_that_is_not_there():
    now = error_counts(links=(link_errors(fatal=1),), log=absent(Why.NOT_PERMITTED))

    assert during(now).verdict is Verdict.FAIL


def test_every_sort_of_complaint_has_its_own_count():
    assert len(kernel_log().errors) == len(Complaint)
