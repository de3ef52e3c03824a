"""What a repair disturbs: by example on a small unit, by law on any map, whole on the demonstration's."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.planning.disturbance import covers, disturbance, outward, removal_order
from reports.model.finding import How, chain_words
from reports.model.order import Action, Line, Order
from reports.model.servicemap import PartKind, ServiceMap
from tests.support.maps import alcove, alcove_order, cable, order, part, repairs, small

Repair = tuple[ServiceMap, Order]


def words(repair_map: ServiceMap, repair: Order, thing: str) -> str:
    return chain_words(disturbance(repair_map, repair).because(thing))


def test_what_lies_over_a_part_comes_off_with_it():
    assert disturbance(small(), order("board")).removed_in_order == ("lid", "fan", "board")
    assert words(small(), order("board"), "lid") == "lid: came off with the board, refitted on line 1"


def test_an_update_takes_nothing_off_and_disturbs_nothing():
    found = disturbance(small(), order(("board", Action.UPDATED)))

    assert found.worked == ("board",)
    assert found.disturbed == found.removed_in_order == found.unplugged_ends == ()


def test_an_updated_part_still_comes_off_when_another_line_needs_it():
    found = disturbance(small(), order(("fan", Action.UPDATED), "board"))

    assert "fan" in found.removed_in_order
    assert chain_words(found.because("fan")) == "fan: updated on line 1"


def test_a_cable_is_unplugged_at_the_part_that_comes_off():
    said = words(small(), order("camera", "board"), "camera-cable")

    assert said == "camera cable, camera end: unplugged with the camera, refitted on line 1"


def test_a_cable_soldered_to_what_comes_off_is_unplugged_at_its_other_end():
    found = disturbance(small(), order("speaker"))

    assert [(end.cable, end.part) for end in found.unplugged_ends] == [("speaker-lead", "board")]
    assert "board" in found.disturbed


def test_being_unplugged_does_not_take_a_part_off():
    found = disturbance(small(), order("board"))

    assert "camera" in found.disturbed
    assert "camera" not in found.removed_in_order
    assert chain_words(found.because("camera")) == (
        "camera: unplugged with the camera cable, which was unplugged with the board, refitted on line 1"
    )


def test_a_cable_through_a_part_that_comes_off_is_rerouted_and_what_it_serves_is_disturbed():
    found = disturbance(small(), order("lid"))

    assert found.rerouted == ("camera-cable",)
    assert chain_words(found.because("camera")) == (
        "camera: rerouted with the camera cable, which was rerouted with the lid, refitted on line 1"
    )


def test_a_replaced_part_takes_along_what_moves_over_to_the_new_one():
    swap = disturbance(small(), order(("board", Action.REPLACED)))

    assert swap.transferred == ("fan",)
    assert swap.because("fan")[0].how is How.TRANSFERRED
    assert disturbance(small(), order("board")).transferred == ()


def test_a_cable_worked_on_frees_its_ends_and_disturbs_what_it_runs_through():
    found = disturbance(small(), order("speaker-lead"))

    assert found.removed_in_order == ("lid",)
    assert {"fan", "speaker", "board"} <= set(found.disturbed)
    assert chain_words(found.because("fan")) == "fan: rerouted with the speaker lead, refitted on line 1"


def test_the_shortest_reason_is_told():
    assert words(small(), order("board", "fan"), "lid") == "lid: came off with the board, refitted on line 1"
    longer = replace(small(), parts=(*small().parts, part("deep", "board")))
    assert words(longer, order("deep", "fan"), "lid") == "lid: came off with the fan, refitted on line 2"


def test_what_moves_over_and_the_cooler_do_not_cover_a_connector_of_the_board():
    cooled = small(
        parts=(part("lid"), part("cooler", "lid", kind=PartKind.THERMAL), part("board", "cooler", "lid"))
    )

    assert covers(cooled, "board") == {"lid"}
    assert covers(small(), "board") == {"lid"}


def test_the_removal_stays_in_one_place_while_it_can():
    parts = (
        part("a1", place="a"),
        part("b1", place="b"),
        part("a2", "a1", place="a"),
        part("b2", "a2", place="b"),
    )

    assert removal_order(small(parts=parts), frozenset({"a1", "a2", "b1", "b2"})) == ("a1", "a2", "b1", "b2")


def test_the_removal_stays_where_it_is_even_if_no_place_can_be_finished():
    a, b = {"place": "a"}, {"place": "b"}
    parts = (part("a1", **a), part("b1", **b), part("a2", **a), part("a3", "b1", **a), part("b2", "a3", **b))

    assert removal_order(small(parts=parts), frozenset(p.id for p in parts)) == ("a1", "a2", "b1", "a3", "b2")


def test_a_circle_has_no_removal_order():
    with pytest.raises(ValueError, match="circle"):
        removal_order(small(parts=(part("a", "b"), part("b", "a"))), frozenset({"a", "b"}))


@given(repairs(), st.data())
def test_another_part_worked_on_never_shrinks_what_was_touched(repair: Repair, data: st.DataObject):
    map, ordered = repair
    before = disturbance(map, ordered)
    spare = [thing.id for thing in (*map.parts, *map.cables) if thing.id not in before.worked]
    if not spare:
        return
    line = Line(data.draw(st.sampled_from(spare)), data.draw(st.sampled_from(Action)))
    after = disturbance(map, replace(ordered, lines=(*ordered.lines, line)))

    assert before.touched <= after.touched
    assert set(before.removed_in_order) <= set(after.removed_in_order)
    assert set(before.unplugged_ends) <= set(after.unplugged_ends)
    assert set(before.rerouted) <= set(after.rerouted)


@given(repairs())
def test_the_closure_of_a_closure_is_itself(repair: Repair):
    map, ordered = repair
    first = disturbance(map, ordered)
    again = disturbance(map, order(*first.removed_in_order))

    assert outward(map, first.removed_in_order) == set(first.removed_in_order)
    assert again.removed_in_order == first.removed_in_order
    assert set(again.unplugged_ends) <= set(first.unplugged_ends)


@given(repairs())
def test_nothing_goes_back_on_before_what_lies_under_it(repair: Repair):
    map, ordered = repair
    on: set[str] = set()
    rebuilt = disturbance(map, ordered).rebuilt_in_order
    for id in rebuilt:
        assert not on & set(map.part(id).before), "what covers it is on already"
        on.add(id)

    assert len(on) == len(rebuilt)


@given(repairs())
def test_every_chain_ends_in_a_line_of_the_order_and_names_real_things(repair: Repair):
    map, ordered = repair
    found = disturbance(map, ordered)
    known = {thing.id: thing.name for thing in (*map.parts, *map.cables)}

    assert {chain[0].thing for chain in found.chains} == found.touched
    assert not set(found.worked) & set(found.disturbed)
    for chain in found.chains:
        *steps, last = chain
        assert last.line is not None
        assert last.how is How.WORKED
        assert ordered.lines[last.line - 1].part == last.thing
        assert last.action == ordered.lines[last.line - 1].action
        assert all(link.line is None and link.how is not How.WORKED for link in steps)
        assert all(known[link.thing] == link.name for link in chain)


@given(repairs())
def test_the_same_order_and_map_disturb_the_same(repair: Repair):
    assert disturbance(*repair) == disturbance(*repair)


def test_a_main_board_swap_in_the_demonstration_leaves_no_cable_of_the_board_out():
    found = disturbance(alcove(), alcove_order())
    at_board = {cable.id for cable in alcove().cables for end in cable.ends if end.part == "main-board"}

    assert at_board <= {end.cable for end in found.unplugged_ends}
    assert {"antenna-lead-main", "antenna-lead-aux"} <= set(found.disturbed)
    assert chain_words(found.because("camera-ribbon")) == (
        "camera ribbon, main board end: unplugged with the main board, replaced on line 1"
    )
    assert "panel" not in found.removed_in_order


def test_a_cable_with_a_longer_way_of_being_unplugged_is_not_called_rerouted():
    parts = (part("lid"), part("cap", "lid"), part("deep", "cap"), part("far"))
    both = small(
        parts=parts, cables=(cable("lead", "deep", "cap", "far", through=("deep",)),), test_points=()
    )

    assert disturbance(both, order("deep")).because("lead")[0].how is How.UNPLUGGED
