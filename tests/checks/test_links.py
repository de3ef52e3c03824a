"""Links: a drive half home, a card crooked in its slot, a cable that the kernel no longer trusts."""

from __future__ import annotations

import pytest

from checks.links import CARD, DRIVE
from reports.model.evidence import Why
from reports.model.finding import Cannot, Limit, Origin, Verdict
from reports.model.servicemap import PartKind
from tests.support.machines import (
    absent,
    bus_link,
    drawn,
    graphics_chip,
    judged,
    laptop,
    part,
    said,
    sata_link,
    subject,
)
from tests.support.shows import BOUNDARY, CANNOT, FAILS, PASSES, shows

NONE = absent(Why.NOT_SUPPORTED)


def drive(*links, about=None):
    return judged(DRIVE, laptop(drive_links=links), about or subject(PartKind.STORAGE))[0]


def card(*links):
    return judged(CARD, laptop(card_links=links), subject(PartKind.GRAPHICS))[0]


def card_that_draws(rest, load=None, **facts):
    """With `rest` lanes of 16 at rest and `load` while it draws."""

    def links(draws):
        return (bus_link(load if draws and load else rest, 16, id="pci-0000:01:00.0"),)

    return judged(CARD, laptop(card_links=links, **facts), subject(PartKind.GRAPHICS))[0]


def by_map(name: str, value: float, unit: str):
    limit = Limit(name, value, unit, Origin.SERVICE_MAP)
    return subject(PartKind.STORAGE, about=part(PartKind.STORAGE, limits=(limit,)))


@shows("storage.link", PASSES)
def test_a_drive_with_all_of_its_lanes_passes():
    judgement = drive(bus_link(4, 4))

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "the link of the drive runs at 4 lanes"


@shows("storage.link", FAILS)
def test_a_drive_that_lost_lanes_fails_and_its_contacts_are_looked_at():
    judgement = drive(bus_link(2, 4))

    assert judgement.verdict is Verdict.FAIL
    assert judgement.reason == "the link of the drive runs at 2 lanes of 4"
    assert "clean its contacts" in judgement.advice
    assert judgement.limit.origin is Origin.RATING


@shows("storage.link", FAILS)
def test_a_cable_whose_rate_the_kernel_lowered_fails_though_the_drive_answers():
    judgement = drive(sata_link(3.0, lowered=said(True)))

    assert judgement.verdict is Verdict.FAIL
    assert "kept failing" in judgement.reason


@shows("storage.link", BOUNDARY)
@pytest.mark.parametrize(("lanes", "verdict"), [(3, Verdict.FAIL), (4, Verdict.PASS), (8, Verdict.PASS)])
def test_as_many_lanes_as_both_ends_can_are_enough(lanes, verdict):
    assert drive(bus_link(lanes, 4)).verdict is verdict


def test_a_link_that_rests_at_a_lower_rate_is_not_held():
    assert drive(bus_link(speed=said(2.5, "GT/s"))).verdict is Verdict.PASS


def test_a_rate_below_what_the_map_says_fails_and_one_in_another_unit_says_nothing():
    about = by_map("link_speed_least", 8.0, "GT/s")

    assert drive(bus_link(speed=said(5.0, "GT/s")), about=about).verdict is Verdict.FAIL
    assert drive(bus_link(), about=about).verdict is Verdict.PASS
    assert drive(sata_link(6.0), about=about).verdict is Verdict.PASS


def test_a_socket_that_has_fewer_lanes_than_its_controller_claims_is_known_by_the_map():
    assert drive(bus_link(2, 4), about=by_map("link_width_least", 2, "lanes")).verdict is Verdict.PASS


def test_an_old_port_that_sets_no_limit_holds_no_drive():
    judgement = drive(sata_link(3.0))

    assert judgement.verdict is Verdict.PASS
    assert judgement.reason == "the link of the drive runs at 3 Gbit/s"


@shows("storage.link", CANNOT)
@pytest.mark.parametrize(
    ("link", "cannot"),
    [
        (bus_link(width=absent(Why.NOT_UNDERSTOOD, "x")), Cannot.NOT_UNDERSTOOD),
        (bus_link(most_width=absent(Why.NOT_PERMITTED)), Cannot.NOT_PERMITTED),
        (sata_link(speed=absent(Why.DID_NOT_ANSWER)), Cannot.DID_NOT_ANSWER),
        (sata_link(lowered=absent(Why.NOT_UNDERSTOOD, "x")), Cannot.NOT_UNDERSTOOD),
    ],
)
def test_a_link_that_cannot_be_read_is_inconclusive(link, cannot):
    assert drive(link).cannot is cannot
    assert drive(bus_link(), link).cannot is cannot


@pytest.mark.parametrize("links", [(), (bus_link(speed=NONE, width=NONE, most_width=NONE),)])
def test_a_bus_that_tells_nothing_of_its_links_is_an_ordinary_limit(links):
    assert drive(*links).verdict is Verdict.NOT_APPLICABLE


def test_of_two_links_the_bad_one_decides():
    assert drive(bus_link(), bus_link(1, 4)).verdict is Verdict.FAIL


@shows("graphics.link", PASSES)
def test_a_card_that_idles_at_a_lower_rate_passes_by_its_width():
    assert card(bus_link(16, 16, speed=said(2.5, "GT/s"))).verdict is Verdict.PASS


@shows("graphics.link", FAILS)
def test_a_crooked_card_fails():
    judgement = card(bus_link(8, 16))

    assert judgement.verdict is Verdict.FAIL
    assert "latch" in judgement.advice


@shows("graphics.link", BOUNDARY)
@pytest.mark.parametrize(("lanes", "verdict"), [(15, Verdict.FAIL), (16, Verdict.PASS)])
def test_one_lane_fewer_is_too_few(lanes, verdict):
    assert card(bus_link(lanes, 16)).verdict is verdict


@shows("graphics.link", CANNOT)
def test_a_card_whose_link_cannot_be_read_is_inconclusive():
    assert card(bus_link(width=absent(Why.NOT_PERMITTED))).cannot is Cannot.NOT_PERMITTED


def test_graphics_without_a_card_have_no_link_to_judge():
    assert card().verdict is Verdict.NOT_APPLICABLE


def test_the_slot_and_the_cards_own_switch_are_both_looked_at():
    assert card(bus_link(4, 16), bus_link(16, 16)).verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("rest", "load", "verdict"),
    [(16, 16, Verdict.PASS), (8, 16, Verdict.PASS), (16, 8, Verdict.PASS), (8, 8, Verdict.FAIL)],
)
def test_of_rest_and_load_the_wider_link_of_a_card_counts(rest, load, verdict):
    assert card_that_draws(rest, load).verdict is verdict


@pytest.mark.parametrize(
    "cannot", [drawn(by_processor=said(True)), drawn(driver=absent(Why.NOT_SUPPORTED, "no OpenGL ES"))]
)
def test_a_card_that_is_narrow_at_rest_and_could_not_be_loaded_is_left_open(cannot):
    judgement = card_that_draws(8, 16, drawn=cannot)

    assert judgement.verdict is Verdict.INCONCLUSIVE
    assert "at rest the link of the graphics card runs at 8 lanes of 16" in judgement.reason
    assert card_that_draws(16, 16, drawn=cannot).verdict is Verdict.PASS


@pytest.mark.parametrize("why", [Why.NOT_THERE, Why.NOT_SUPPORTED])
def test_a_card_whose_driver_does_not_draw_rests_no_lanes_either(why):
    chip = graphics_chip(draws=absent(why))

    assert card_that_draws(8, graphics_chips=(chip,), drawn=drawn(driver=absent(why))).verdict is Verdict.FAIL


def test_a_card_with_a_switch_of_its_own_is_judged_link_by_link():
    def links(draws):
        widths = (16, 8) if draws else (8, 8)
        return tuple(bus_link(lanes, 16, id="pci-0000:01:00.0") for lanes in widths)

    judgement = judged(CARD, laptop(card_links=links), subject(PartKind.GRAPHICS))[0]

    assert judgement.verdict is Verdict.FAIL
