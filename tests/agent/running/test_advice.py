"""Which end of which cable to look at first, and which failures have one cause."""

from __future__ import annotations

from typing import Any

import pytest

from agent.planning.disturbance import disturbance
from agent.running.advice import advised, suspects
from checks.counters import ADVICE
from reports.model.finding import Cannot, Finding, Judgement, Limit, Origin, Suspect, Verdict, chain_words
from reports.model.order import Order
from reports.model.servicemap import PartKind, ServiceMap
from tests.support import signed
from tests.support.maps import alcove, alcove_order, cable, order, part, small

FAILED = Judgement(Verdict.FAIL, "it stood still", "look")
KEPT_BACK = Judgement(Verdict.INCONCLUSIVE, "kept back", "mend", cannot=Cannot.PRECONDITION)


def look(thing: str, map: ServiceMap, ordered: Order) -> list[tuple[str, str]]:
    return [(item.thing, item.end) for item in suspects(thing, map, disturbance(map, ordered))]


def first(thing: str) -> Suspect:
    return suspects(thing, alcove(), disturbance(alcove(), alcove_order()))[0]


def failing(check: str, thing: str, judgement: Judgement = FAILED) -> Finding:
    changes: dict[str, Any] = {"check": check, "part": thing, "judgement": judgement}
    return signed.finding(**changes)


def test_a_dead_radio_after_a_board_swap_points_at_an_antenna_lead():
    found = first("wireless-card")

    assert (found.name, found.end, found.connector) == (
        "main antenna lead",
        "wireless card",
        "snap-on coaxial",
    )
    assert found.place == "Main board bay"
    assert found.removals == 4
    assert found.reach == "take off the stand cap, stand, rear cover and inner shield"
    assert chain_words(found.because).startswith("main antenna lead, wireless card end: unplugged with")


def test_a_dead_fan_after_a_board_swap_points_at_its_plug_on_the_board():
    assert (first("fan").thing, first("fan").end) == ("fan-cable", "main board")


def test_the_end_that_was_unplugged_comes_before_one_that_was_not_touched_even_if_that_is_nearer():
    assert look("camera", small(), order("board"))[0] == ("camera-cable", "board")
    assert look("camera", small(), order("camera"))[0] == ("camera-cable", "camera")


def test_of_two_ends_alike_the_one_in_reach_comes_first():
    assert look("camera", small(), order("speaker"))[0] == ("camera-cable", "camera")


def test_a_cable_that_slips_more_is_worth_more_covers():
    parts = (part("lid"), part("board", "lid", kind=PartKind.BOARD), part("camera", kind=PartKind.CAMERA))
    cables = (
        cable("tight", "camera", "camera", "board"),
        cable("loose", "camera", "camera", "board", slips=9.0),
    )
    map = small(parts=parts, cables=cables, test_points=())

    assert look("camera", map, order("lid")) == [
        ("loose", "camera"),
        ("loose", "board"),
        ("tight", "camera"),
        ("camera", ""),
        ("tight", "board"),
    ]


def test_a_soldered_end_is_never_suspected():
    assert ("fan-cable", "fan") not in look("fan", small(), order("board"))


def test_something_in_reach_says_so():
    found = suspects("camera", small(), disturbance(small(), order("camera")))

    assert found[0].removals == 0
    assert found[0].reach == "in reach from outside"


def test_heat_that_stays_may_be_the_fan():
    assert ("fan-cable", "main board") in look("thermal-compound", alcove(), alcove_order())


def test_failures_with_one_cause_stand_together_under_the_first():
    found = advised(
        [
            failing("fan.spin", "fan"),
            failing("wireless.present", "wireless-card"),
            failing("wireless.antennas", "wireless-card"),
            failing("thermal.load", "thermal-compound", KEPT_BACK),
        ],
        alcove_order(),
        alcove(),
    )

    assert [finding.group for finding in found] == ["", "", "wireless.present/wireless-card", "fan.spin/fan"]
    assert [bool(finding.suspects) for finding in found] == [True, True, True, False]


def test_a_pass_gets_no_suspects_and_leads_no_group():
    good = signed.finding(part="fan", check="fan.spin")
    found = advised([good, failing("fan.response", "fan")], alcove_order(), alcove())

    assert found[0] == good
    assert found[1].group == ""


def test_a_finding_about_a_part_the_map_has_not_is_left_as_it_is():
    strange = failing("fan.spin", "windmill")

    assert advised([strange], alcove_order(), alcove()) == (strange,)


@pytest.mark.parametrize("sort", ADVICE)
def test_every_sort_of_complaint_that_weighs_speaks_of_a_part_of_its_own(sort):
    """The board, of which the check is, is never the part to look at first."""
    name = f"{sort.value.replace(' ', '_').casefold()}_errors_most"
    grown = Judgement(
        Verdict.FAIL, "the kernel logged 1 error", "look", limit=Limit(name, 0, "", Origin.DEFAULT)
    )

    found = suspects(
        "main-board",
        alcove(),
        disturbance(alcove(), alcove_order()),
        failing("board.increase", "main-board", grown),
    )

    assert found
    assert "main-board" not in [suspect.thing for suspect in found]
