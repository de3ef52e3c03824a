"""Storage: samples that say what they may have missed, and no more load on a drive that errs."""

from __future__ import annotations

import pytest

from checks.storage.reading import CABLE, PLACES, PLACES_SUSTAINED, READ, WHOLE
from reports.model.evidence import Why
from reports.model.finding import Cannot, Depth, Limit, Origin, Verdict
from reports.model.order import DriveRead
from reports.model.servicemap import PartKind
from tests.support.machines import (
    FakeReader,
    absent,
    bus_link,
    drive_health,
    judged,
    laptop,
    part,
    replaced,
    said,
    stick,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

STORAGE = PartKind.STORAGE
MIB = 1 << 20
EIO = absent(Why.DID_NOT_ANSWER, "Input/output error at byte 4096")


def read(reader, *, depth=Depth.FUNCTION, limits=(), check=READ):
    about = part(STORAGE, limits=limits)
    return judged(check, laptop(reading=reader), subject(STORAGE, about=about, depth=depth))[0]


# -- a sample ---------------------------------------------------------------------------------------------


@shows("storage.read", PASSES)
def test_a_sample_all_over_the_drive_passes_and_says_what_it_may_have_missed():
    reader = FakeReader()

    judgement = read(reader)

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == (
        "500 of 500 places all over the drive were read: "
        "were 1.00% of it bad, the chance to miss that would be 0.66% at most"
    )
    assert len(reader.reads) == 1 + PLACES
    assert reader.reads[1][0] < reader.size / PLACES
    assert reader.reads[-1][0] > reader.size * (PLACES - 1) / PLACES - 65536


def test_a_drive_worked_on_is_sampled_more_densely():
    reader = FakeReader()

    read(reader, depth=Depth.SUSTAINED)

    assert len(reader.reads) == 1 + PLACES_SUSTAINED


@shows("storage.read", FAILS)
def test_a_place_that_cannot_be_read_fails_and_ends_the_load():
    reader = FakeReader(answers={100: EIO})

    judgement = read(reader)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "the drive could not be read everywhere: Input/output error at byte 4096"
    assert "copy the owner's data off it before anything else" in judgement.advice
    assert len(reader.reads) == 100


def test_a_drive_that_struggles_is_spared_further_load():
    reader = FakeReader(answers={7: said(9.0, "s")})

    judgement = read(reader)

    assert judgement.reason == "the drive took 9 s for one place, at most 5"
    assert len(reader.reads) == 7


def test_the_time_it_takes_to_wake_says_nothing_of_a_place():
    assert read(FakeReader(answers={1: said(12.0, "s")})).verdict is Verdict.PASS


@shows("storage.read", BOUNDARY)
@pytest.mark.parametrize(("took", "verdict"), [(5.0, Verdict.PASS), (5.001, Verdict.FAIL)])
def test_five_seconds_for_a_place_are_the_boundary(took, verdict):
    assert read(FakeReader(answers={5: said(took, "s")})).verdict is verdict


@pytest.mark.parametrize(("most", "verdict"), [(0.006571, Verdict.PASS), (0.00657, Verdict.INCONCLUSIVE)])
def test_the_chance_to_have_missed_bad_places_is_a_boundary_too(most, verdict):
    """0.99 ** 500 = 0.0065705"""
    limit = Limit("missed_chance_most", most, "", Origin.SERVICE_MAP)

    judgement = read(FakeReader(), limits=(limit,))

    assert judgement.verdict is verdict
    assert verdict is Verdict.PASS or "501 are needed to tell" in judgement.reason


def test_a_small_drive_is_read_whole_by_its_sample():
    judgement = read(FakeReader(size=10 * 65536))

    assert judgement.verdict is Verdict.PASS
    assert judgement.measured.value == 0.0


@shows("storage.read", CANNOT)
@pytest.mark.parametrize("why", [Why.NOT_PERMITTED, Why.DID_NOT_ANSWER])
def test_a_drive_that_does_not_open_is_inconclusive(why):
    assert read(absent(why)).verdict is Verdict.INCONCLUSIVE


def test_without_a_drive_nothing_is_read():
    machine = laptop(drives=(stick(),))

    assert judged(READ, machine, subject(STORAGE))[0].cannot is Cannot.CANNOT_TELL


# -- all of it --------------------------------------------------------------------------------------------


@shows("storage.whole", PASSES)
@pytest.mark.parametrize("size", [64 * MIB, 64 * MIB + 4096, 61 * MIB])
def test_every_byte_is_read_on_request(size):
    reader = FakeReader(size=size)

    judgement = read(reader, check=WHOLE)

    assert judgement.verdict is Verdict.PASS
    reach = 0
    for offset, length in reader.reads[1:]:
        assert offset <= reach
        reach = max(reach, offset + length)
    assert reach == size


@shows("storage.whole", FAILS)
def test_a_single_bad_place_is_found_by_reading_all():
    assert read(FakeReader(size=64 * MIB, answers={12: EIO}), check=WHOLE).verdict is Verdict.FAIL


@shows("storage.whole", BOUNDARY)
@pytest.mark.parametrize(("took", "verdict"), [(5.0, Verdict.PASS), (5.001, Verdict.FAIL)])
def test_a_block_that_takes_too_long_ends_it(took, verdict):
    reader = FakeReader(size=64 * MIB, answers={9: said(took, "s")})

    assert read(reader, check=WHOLE).verdict is verdict
    assert (len(reader.reads) == 9) == (verdict is Verdict.FAIL)


@shows("storage.whole", CANNOT)
def test_a_whole_read_that_cannot_begin_is_inconclusive():
    assert read(absent(Why.NOT_PERMITTED), check=WHOLE).cannot is Cannot.NOT_PERMITTED


def test_all_of_it_is_read_only_where_the_order_asks():
    assert WHOLE.on_request is not None
    assert not WHOLE.on_request(subject(STORAGE))
    assert not WHOLE.on_request(subject(STORAGE, replaced("storage")))
    assert WHOLE.on_request(subject(STORAGE, replaced("storage", drive_read=DriveRead.WHOLE)))


# -- the cable --------------------------------------------------------------------------------------------


def cable(before=17, after=17, reader=None, **changes):
    def counted(times):
        return drive_health(interface_errors=said(before if times == 1 else after))

    return judged(
        CABLE, laptop(drive_health=counted, reading=reader or FakeReader(), **changes), subject(STORAGE)
    )[0]


NOT_COUNTED = drive_health(interface_errors=absent(Why.NOT_SUPPORTED))
SILENT = absent(Why.NOT_SUPPORTED)


def link(reader=None, rest=2.5, **load):
    """A drive that counts no errors and whose link is as `load` says once something was read."""
    reader = reader or FakeReader()

    def links(drives):
        return (bus_link(**load) if reader.reads else bus_link(speed=said(rest, "GT/s")),)

    return judged(
        CABLE, laptop(drive_health=NOT_COUNTED, reading=reader, drive_links=links), subject(STORAGE)
    )[0]


@shows("storage.cable", PASSES)
def test_old_errors_that_do_not_grow_pass():
    reader = FakeReader()

    judgement = cable(reader=reader)

    assert judgement.verdict is Verdict.PASS
    assert sum(length for _, length in reader.reads) == 1 << 30


@shows("storage.cable", FAILS)
@shows("storage.cable", BOUNDARY)
def test_one_error_more_fails_and_names_both_ends():
    judgement = cable(after=18)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.advice.startswith("reseat the drive's cable at both ends")


def test_a_slow_drive_is_read_for_seconds_and_not_for_ever():
    reader = FakeReader(took=0.125)

    assert cable(reader=reader).verdict is Verdict.PASS
    assert len(reader.reads) == 64


@shows("storage.cable", CANNOT)
def test_too_little_read_cannot_tell():
    assert cable(reader=FakeReader(took=1.0)).verdict is Verdict.INCONCLUSIVE


def test_errors_that_were_counted_are_a_fault_though_reading_failed():
    assert cable(after=40, reader=FakeReader(answers={3: EIO})).verdict is Verdict.FAIL
    assert cable(reader=FakeReader(answers={3: EIO})).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("links", [(), (bus_link(speed=SILENT, width=SILENT),), SILENT])
def test_a_drive_that_tells_nothing_of_its_link_is_not_read_for_it(links):
    reader = FakeReader()
    machine = laptop(drive_health=NOT_COUNTED, reading=reader, drive_links=links)

    assert judged(CABLE, machine, subject(STORAGE))[0].verdict is Verdict.NOT_APPLICABLE
    assert reader.reads == []


def test_a_link_that_rests_and_wakes_under_load_passes():
    judgement = link()

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "the link of the drive holds while much is read at once"


@pytest.mark.parametrize(
    ("load", "words"),
    [({"speed": said(2.5, "GT/s")}, "2.5 GT/s of 8"), ({"lanes": 2}, "2 lanes of 4")],
)
def test_a_link_below_what_drive_and_socket_can_fails_under_load(load, words):
    judgement = link(**load)

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == f"the link of the drive runs at {words} while much is read"
    assert judgement.limit.origin is Origin.RATING


def test_where_nobody_can_tell_what_the_socket_is_set_to_its_rate_is_not_held_against_it():
    assert link(speed=said(2.5, "GT/s"), most_speed=absent(Why.NOT_PERMITTED)).verdict is Verdict.PASS


def test_a_link_that_cannot_be_read_under_load_is_inconclusive():
    assert link(width=absent(Why.NOT_UNDERSTOOD, "x")).cannot is Cannot.NOT_UNDERSTOOD


def test_a_small_drive_is_read_round_and_round():
    reader = FakeReader(size=10 * MIB)

    assert cable(reader=reader).verdict is Verdict.PASS
    assert all(offset + length <= reader.size for offset, length in reader.reads)


def test_a_count_that_went_down_is_not_believed():
    assert cable(after=3).verdict is Verdict.INCONCLUSIVE
