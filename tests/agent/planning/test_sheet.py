"""The rebuild sheet: what goes back on when, what is counted, and a page that can be printed and trusted."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser

from hypothesis import given

from agent.planning.disturbance import disturbance
from agent.planning.sheet import SEATING, Sheet, render_sheet, sheet
from reports.model.order import Action, Order
from reports.model.servicemap import Connector, Fastener, Place, ServiceMap
from tests.support.maps import alcove, alcove_order, cable, order, part, repairs, small

VOID = {"meta", "link", "br", "img", "hr", "input"}


class Page(HTMLParser):
    """The text of a page in reading order; fails on tags that do not match."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: Counter[str] = Counter()
        self.words: list[str] = []
        self.feed(html)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def demo() -> str:
    return Page(render_sheet(alcove_order(), alcove())).text


def steps(found: Sheet) -> list[str]:
    return [refit.part.id for refit in found.refits]


def test_what_came_off_last_goes_back_on_first():
    assert steps(sheet(order("board"), small())) == ["board", "fan", "lid"]


def test_fasteners_are_counted_where_their_part_goes_and_captive_ones_are_not():
    screws = (
        Fastener("T8", "M3", 6.0, 4),
        Fastener("T8", "M3", 6.0, 2),
        Fastener("T8", "M3", 6.0, 9, captive=True),
    )
    found = sheet(order("lid"), small(parts=(part("lid", holds=screws),), cables=(), test_points=()))

    assert found.visits[0].tally == ((Fastener("T8", "M3", 6.0, 1), 6),)
    text = Page(
        render_sheet(order("lid"), small(parts=(part("lid", holds=screws),), cables=(), test_points=()))
    ).text
    assert "captive: tighten, do not count" in text
    assert "counted in here: 6" in text


@given(repairs())
def test_the_tally_of_each_place_adds_up_to_what_came_off(repair: tuple[ServiceMap, Order]):
    map, ordered = repair
    found = sheet(ordered, map)
    removed = disturbance(map, ordered).removed_in_order
    loose: Counter[tuple[str, str, float]] = Counter()
    for id in removed:
        for screw in map.part(id).holds:
            if not screw.captive:
                loose[screw.recess, screw.size, screw.length_mm] += screw.count

    assert Counter({(f.recess, f.size, f.length_mm): count for f, count in found.tally}) == loose
    assert sum(visit.count for visit in found.visits) == found.count == loose.total()
    assert steps(found) == list(reversed(removed))
    for visit in found.visits:
        assert visit.count == sum(screw.count for refit in visit.refits for screw in refit.counted)


@given(repairs())
def test_every_unplugged_end_is_seated_once_and_not_before_what_it_joins_is_back(
    repair: tuple[ServiceMap, Order],
):
    map, ordered = repair
    found, touched = sheet(ordered, map), disturbance(map, ordered)
    names = {cable.id: cable.name for cable in map.cables}
    at = {part.id: part.name for part in map.parts}
    seats = [seat for refit in found.refits for seat in refit.seats]

    assert Counter((seat.cable, seat.at) for seat in (*seats, *found.loose)) == Counter(
        (names[end.cable], at[end.part]) for end in touched.unplugged_ends
    )
    on: set[str] = set()
    for refit in found.refits:
        on.add(refit.part.name)
        waiting = set(touched.removed_in_order) - {id for id in at if at[id] in on}
        for seat in refit.seats:
            ends = next(cable.ends for cable in map.cables if cable.name == seat.cable)
            assert not {end.part for end in ends} & waiting


def test_a_caution_stands_before_its_step_and_the_unit_s_before_all():
    text = demo()

    assert text.index("Before a hand goes into the unit") < text.index("Main board bay")
    assert text.index("Never touch the contacts of the socket") < text.index("processor transferred, line 1")
    assert text.index("The mains inlet and power supply are live now") < text.index("Start the unit here")


def test_cables_are_seated_by_end_and_connector_with_how():
    text = demo()

    assert "snap-on coaxial : centre it on the socket" in text
    assert "main antenna lead at the wireless card" in text
    assert "ribbon, sliding locking bar : bar out" in text


def test_a_cable_is_routed_with_the_part_that_it_runs_through():
    assert "Route camera cable, through it" in Page(render_sheet(order("lid"), small())).text


def test_the_fan_cable_is_seated_with_the_fan_because_that_comes_last():
    found = {
        refit.part.id: [seat.cable for seat in refit.seats]
        for refit in sheet(alcove_order(), alcove()).refits
    }

    assert found["fan"] == ["fan cable"]
    assert "fan cable" not in found["main-board"]


def test_the_test_point_stands_after_the_last_connector_and_before_the_shield():
    text = demo()

    assert (
        text.index("fan cable at the main board")
        < text.index("Test point")
        < text.index("inner shield came off")
    )


def test_there_is_no_test_point_where_its_parts_stayed_on():
    assert "Test point" not in Page(render_sheet(order("camera"), small())).text
    assert "Test point" in Page(render_sheet(order("lid"), small())).text


def test_what_moves_over_to_a_new_board_is_listed_and_only_then():
    assert "Move over" in demo()
    refitted = replace(alcove_order(), lines=order(("main-board", Action.REFITTED)).lines)
    assert "Move over" not in Page(render_sheet(refitted, alcove())).text


def test_sequence_consumables_and_inspection_are_there():
    text = demo()

    assert "Tighten cooler 1-2-3-4 crosswise" in text
    assert "thermal compound, 0.3 g" in text
    assert "stand-offs all there" in text


def test_no_place_is_visited_twice_in_the_demonstration():
    assert not any(visit.again for visit in sheet(alcove_order(), alcove()).visits)


def test_ends_of_a_cable_worked_on_are_seated_even_where_no_part_came_off():
    bare = small(parts=(part("a"), part("b")), cables=(cable("lead", "a", "a", "b"),), test_points=())
    found = sheet(order("lead"), bare)

    assert [(seat.cable, seat.at) for seat in found.loose] == [("lead", "a"), ("lead", "b")]
    assert "Cables worked on" in Page(render_sheet(order("lead"), bare)).text


def test_an_update_alone_leaves_nothing_to_put_back():
    assert (
        "there is nothing to put back" in Page(render_sheet(order(("board", Action.UPDATED)), small())).text
    )


def test_a_stand_in_map_is_noted():
    assert "generic map" in Page(render_sheet(order("lid"), small(generic=True))).text


def test_whatever_a_document_says_is_text_and_never_markup():
    evil = '</style><script>alert(1)</script>"; } @import url(//x); \u202e\x1b['
    bad = small(
        title=evil,
        places=(Place("outside", evil, evil, (evil,)), Place("inside", evil)),
        parts=(part("lid", place="outside", inspect=(evil,), consumables=(evil,), cautions=(evil,)),),
        cables=(),
        test_points=(),
        cautions=(evil,),
    )
    number = '"; } @import url(//x);'
    html = render_sheet(order("lid", number=number, complaint=evil), bad)
    page = Page(html)

    assert page.tags["script"] == 0
    assert page.tags["style"] == 1
    assert "@import" not in re.search(r"<style>(.*?)</style>", html, re.S)[1]  # type: ignore[index]
    assert "\x1b" not in html
    assert "\u202e" not in html
    assert "<script>alert(1)</script>" in page.text


def test_the_page_loads_nothing_and_fixes_no_paper_size():
    html = render_sheet(alcove_order(), alcove())

    assert not re.search(r"https?:|src=|url\(|<link", html)
    assert not re.search(r"@page[^}]*\bsize:", html)


def test_every_connector_that_can_be_unplugged_says_how_it_is_seated():
    assert set(SEATING) == set(Connector)
    assert all(SEATING[kind] for kind in Connector if kind is not Connector.SOLDERED)


def test_the_customer_s_name_is_not_on_a_bench_paper():
    assert alcove_order().customer is not None
    assert alcove_order().customer.name not in demo()
