"""Storage: missing, hidden and wrong drives are three different things to do."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.measures.capacity import standard_bytes
from checks.storage.presence import LISTED, NOT_LISTED, PRESENT
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict, Way
from reports.model.order import Action, Expected, Line, Piece
from reports.model.servicemap import PartKind
from tests.support.machines import Bench, absent, drive, judged, laptop, part, replaced, said, stick, subject
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

STORAGE = PartKind.STORAGE
GB = 10**9


def present(*lines, machine=None, person=None, **about):
    return judged(PRESENT, machine or laptop(), subject(STORAGE, *lines, **about), person)[0]


def ordered(gigabytes=512, serial="", **line):
    return replaced("storage", fitted=Piece(serial), expected=Expected(capacity_bytes=gigabytes * GB), **line)


def only(*drives, **facts):
    return laptop(drives=(*drives, stick()), **facts)


@shows("storage.present", PASSES)
def test_the_ordered_drive_passes_by_serial_and_size():
    judgement = present(ordered(serial="HN5-20417733"))

    assert (judgement.verdict, judgement.way) == (Verdict.PASS, Way.INSTRUMENT)
    assert judgement.reason == "the drive is there: HG-N512 HN5-20417733, 512 GB"


@shows("storage.present", FAILS)
def test_the_stick_in_a_unit_without_a_drive_is_no_drive():
    judgement = present(machine=only())

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "no drive was found"
    assert judgement.advice.startswith("reseat the drive")


def test_the_medium_the_agent_runs_from_never_counts_whatever_its_socket():
    inside = drive(transport=said("sata"), removable=said(False), boot_stick=True)

    assert present(machine=laptop(drives=(inside,))).reason == "no drive was found"


def test_another_usb_drive_on_the_bench_is_no_drive_of_the_unit():
    other = drive(id="usb-4", transport=said("usb"), removable=said(False))

    assert present(machine=only(other)).verdict is Verdict.FAIL


def test_a_wrong_drive_is_told_from_a_missing_one():
    judgement = present(ordered(serial="HN5-20417733"), machine=only(drive(serial=said("HN5-90000001"))))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "another drive than the order's is fitted: HN5-90000001"
    assert "compare the drive's label" in judgement.advice


def test_a_serial_with_one_character_more_is_another_drive():
    assert present(ordered(serial="HN5-2041773")).verdict is Verdict.FAIL


def test_a_label_that_leaves_out_the_prefix_names_the_same_drive():
    assert present(ordered(serial="20417733")).verdict is Verdict.PASS


def test_the_old_drive_left_in_is_named():
    line = replaced("storage", fitted=Piece("NEW-00000001"), removed=Piece("HN5-20417733"))

    assert present(line).reason == "the drive that was to come out is still fitted: HN5-20417733"


def test_a_refitted_drive_must_be_the_one_that_came_out():
    line = Line("storage", Action.REFITTED, removed=Piece("HN5-20417733"))

    assert present(line).verdict is Verdict.PASS
    assert present(line, machine=only(drive(serial=said("HN5-90000001")))).verdict is Verdict.FAIL


@pytest.mark.parametrize("fitted", [250, 256, 480, 500, 1000])
def test_a_drive_of_another_size_fails(fitted):
    machine = only(drive(capacity=said(standard_bytes(fitted), "bytes")))

    judgement = present(ordered(512), machine=machine)

    assert judgement.verdict is Verdict.FAIL
    assert f"{fitted} GB, the order says 512 GB" in judgement.reason


@shows("storage.present", BOUNDARY)
@pytest.mark.parametrize(
    ("size", "verdict"),
    [
        (1010 * GB, Verdict.PASS),
        (1010 * GB + 1, Verdict.FAIL),
        (990 * GB, Verdict.PASS),
        (990 * GB - 1, Verdict.FAIL),
    ],
)
def test_one_percent_of_the_ordered_size_is_the_boundary(size, verdict):
    assert present(ordered(1000), machine=only(drive(capacity=said(size, "bytes")))).verdict is verdict


def test_a_hidden_drive_is_neither_missing_nor_there():
    judgement = present(machine=only(hidden_storage=said("RAID controller")))

    assert judgement.cannot is Cannot.CANNOT_TELL
    assert "hides the drive: RAID controller" in judgement.reason
    assert "leave the mode as the owner had it" in judgement.advice


@pytest.mark.parametrize(("words", "verdict"), [(LISTED, Verdict.PASS), (NOT_LISTED, Verdict.FAIL)])
def test_a_person_can_see_a_hidden_drive_in_the_firmwares_setup(words, verdict):
    judgement = present(
        machine=only(hidden_storage=said("RAID controller")), person=Bench({"storage.listed": words})
    )

    assert (judgement.verdict, judgement.way) == (verdict, Way.OBSERVED)


def test_nobody_is_sent_to_the_setup_for_a_drive_that_was_found():
    person = Bench()

    present(machine=laptop(hidden_storage=said("another controller")), person=person)

    assert person.asked == []


@shows("storage.present", CANNOT)
@pytest.mark.parametrize(
    ("facts", "cannot"),
    [
        ({"drives": absent(Why.NOT_PERMITTED)}, Cannot.NOT_PERMITTED),
        ({"drives": (drive(capacity=absent()),)}, Cannot.CANNOT_TELL),
        ({"drives": (drive(capacity=absent(Why.NOT_UNDERSTOOD)),)}, Cannot.NOT_UNDERSTOOD),
    ],
)
def test_what_could_not_be_read_is_inconclusive(facts, cannot):
    assert present(machine=laptop(**facts)).cannot is cannot


def test_a_drive_that_does_not_tell_its_serial_passes_by_its_size_and_not_without():
    machine = only(drive(serial=absent()))

    by_size = present(ordered(512, serial="HN5-20417733"), machine=machine)
    alone = present(replaced("storage", fitted=Piece("HN5-20417733")), machine=machine)

    assert (by_size.verdict, by_size.way) == (Verdict.PASS, Way.INFERRED)
    assert alone.cannot is Cannot.CANNOT_TELL


def test_of_two_drives_each_line_finds_its_own():
    first, second = part(STORAGE, "drive-1"), part(STORAGE, "drive-2")
    lines = (
        replaced("drive-1", fitted=Piece("AA-111111"), expected=Expected(capacity_bytes=512 * GB)),
        replaced("drive-2", fitted=Piece("BB-222222"), expected=Expected(capacity_bytes=2000 * GB)),
    )
    small = drive(id="nvme-1", serial=said("AA-111111"))
    large = drive(id="sata-1", serial=said("BB-222222"), capacity=said(standard_bytes(2000), "bytes"))

    def both(*drives):
        peers = (first, second)
        return [
            present(*lines, machine=only(*drives), about=it, peers=peers).verdict for it in (first, second)
        ]

    assert both(small, large) == [Verdict.PASS, Verdict.PASS]
    assert both(small) == [Verdict.FAIL, Verdict.FAIL]


def test_the_bus_of_the_map_says_which_drive_is_meant():
    it = part(STORAGE, sensor="sata")

    assert present(about=it).verdict is Verdict.FAIL
    assert present(about=replace(it, sensor="nvme")).verdict is Verdict.PASS


def test_the_order_overrides_the_size_of_the_map():
    size = Limit("capacity_bytes", 1000 * GB, "bytes", Origin.SERVICE_MAP)
    it = part(STORAGE, limits=(size,))

    assert present(about=it).verdict is Verdict.FAIL
    assert present(ordered(512), about=it).verdict is Verdict.PASS
