"""A map that cannot be worked from says so, whole; an order finds its map or is told what is near."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given

from agent.planning.mapcheck import accept, check_map, generic_map, resolve, stands_in
from reports.codec import load_map, to_json
from reports.errors import DocumentError, Fault
from reports.model.order import Action, Form, Order, Unit
from reports.model.servicemap import PartKind, ServiceMap
from reports.model.servicemap import TestPoint as Start
from tests.support.maps import GENERIC, HOME, alcove, alcove_order, cable, order, part, repairs, small


def only(map: ServiceMap) -> Fault:
    (fault,) = check_map(map)
    return fault


def refused(ordered: Order, folders: tuple[Path, ...] = ()) -> str:
    with pytest.raises(DocumentError) as error:
        resolve(ordered, folders)
    return str(error.value)


def unit(family: str, form: Form = Form.ALL_IN_ONE) -> Unit:
    return Unit(form, "S-1", family)


def test_the_small_map_is_sound():
    assert check_map(small()) == ()


@pytest.mark.parametrize("form", GENERIC)
def test_the_maps_that_come_with_the_program_are_sound(form: str):
    map = load_map(HOME / "maps" / f"{form}.json")

    assert check_map(map) == ()
    assert map.generic
    assert map.family == map.form == form


def test_the_demonstration_has_a_whole_family():
    map = alcove()

    assert check_map(map) == ()
    assert len(map.parts) >= 25
    assert len({part.place for part in map.parts}) >= 8
    assert {place.id for place in map.places} == {part.place for part in map.parts}
    assert all(
        "maker's" in caution or "sheet" in caution or "owner" in caution
        for part in map.parts
        for caution in part.cautions
    )


@pytest.mark.parametrize("form", GENERIC)
def test_every_safety_limit_of_a_map_names_the_map_as_its_origin(form: str):
    for map in (alcove(), generic_map(Form(form))):
        named = {limit.name for part in map.parts for limit in part.limits}

        assert "safe_temperature" in named
        assert all(limit.origin == "service map" for part in map.parts for limit in part.limits)


def test_a_circle_is_named_whole():
    fault = only(small(parts=(part("lid", "board"), part("board", "lid")), cables=(), test_points=()))

    assert fault.reference == "map-cycle"
    assert fault.found == "cycle: lid -> board -> lid"
    assert fault.pointer == "/parts/0/before"


def test_a_part_before_itself_is_a_circle():
    fault = only(small(parts=(part("lid", "lid"),), cables=(), test_points=()))

    assert fault.found == "cycle: lid -> lid"


def test_two_circles_are_two_faults_and_what_lies_behind_one_can_not_be_reached():
    parts = (part("a", "b"), part("b", "a"), part("c", "d"), part("d", "c"), part("behind", "a"))
    faults = check_map(small(parts=parts, cables=(), test_points=()))

    assert [fault.reference for fault in faults] == ["map-cycle", "map-cycle", "map-unreachable"]
    assert faults[2].pointer == "/parts/4/before"
    assert "behind can never come off, since a can not" in faults[2].found


def test_an_unknown_part_is_named_with_what_is_near_and_what_it_blocks():
    parts = (part("lid"), part("fan", "lidd"), part("board", "fan"))
    faults = check_map(small(parts=parts, cables=(), test_points=()))

    assert [fault.reference for fault in faults] == ["map-unknown", "map-unreachable", "map-unreachable"]
    assert faults[0].pointer == "/parts/1/before/0"
    assert faults[0].hint == "did you mean lid?"


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"parts": (part("lid", place="outsied"),)}, "/parts/0/place"),
        ({"parts": (part("lid", transfers=("fan",)),)}, "/parts/0/transfers/0"),
        (
            {"parts": (part("lid"), part("fan")), "cables": (cable("c", "x", "lid", "fan"),)},
            "/cables/0/serves",
        ),
        ({"parts": (part("lid"),), "cables": (cable("c", "lid", "lid", "x"),)}, "/cables/0/ends/1/part"),
        (
            {
                "parts": (part("lid"), part("fan")),
                "cables": (cable("c", "lid", "lid", "fan", through=("x",)),),
            },
            "/cables/0/through/0",
        ),
        (
            {"parts": (part("lid"),), "test_points": (Start("t", "T", ("x",), "runs"),)},
            "/test_points/0/before_parts/0",
        ),
    ],
)
def test_whatever_names_something_the_map_has_not_is_named(changes: dict[str, object], pointer: str):
    fault = only(small(**{"cables": (), "test_points": (), **changes}))

    assert (fault.reference, fault.pointer) == ("map-unknown", pointer)


def test_a_cable_may_not_bear_the_id_of_a_part():
    twice = (*small().cables, cable("fan", "fan", "fan", "board"))

    assert only(small(cables=twice)).reference == "map-duplicate"
    assert only(small(cables=twice)).pointer == "/cables/3/id"


def test_a_cable_with_both_ends_at_one_part_is_a_fault():
    assert "both ends at fan" in only(small(cables=(cable("c", "fan", "fan", "fan"),))).found


def test_a_cable_with_one_end_is_a_fault():
    one = cable("c", "fan", "fan", "board")

    assert "1 end" in only(small(cables=(replace(one, ends=one.ends[:1]),))).found  # type: ignore[arg-type]


def test_a_cable_soldered_at_both_ends_keeps_both_parts_in():
    assert "fixed at both ends" in only(small(cables=(cable("c", "fan", "!fan", "!board"),))).found


def test_what_moves_over_needs_an_order_with_the_part_it_moves_with():
    parts = (part("lid"), part("fan", "lid"), part("board", "lid", transfers=("fan",)))
    fault = only(small(parts=parts, cables=(), test_points=()))

    assert fault.reference == "map-refit"
    assert "neither lies before the other" in fault.found


def test_a_soldered_lead_whose_plug_is_still_covered_is_a_fault():
    parts = (part("lid"), part("shield", "lid"), part("board", "shield"), part("speaker", "lid"))
    fault = only(small(parts=parts, cables=(cable("lead", "speaker", "!speaker", "board"),), test_points=()))

    assert fault.reference == "map-refit"
    assert fault.pointer == "/parts/3/before"
    assert "where shield still lies over it" in fault.found


def test_a_unit_cannot_be_started_while_its_board_is_out():
    early = Start("early", "Early start", ("board",), "a picture")

    assert "fan, board is still out" in only(small(test_points=(early,))).found


def test_a_test_point_before_no_part_is_never_reached():
    assert "never reached" in only(small(test_points=(Start("t", "T", (), "runs"),))).found


def test_control_characters_of_a_map_do_not_reach_the_screen():
    faults = check_map(small(parts=(part("lid\x1b[2J", "\u202eboard"),), cables=(), test_points=()))

    assert faults
    assert not any("\x1b" in str(fault) or "\u202e" in str(fault) for fault in faults)


@given(repairs())
def test_a_map_drawn_without_circles_has_none(repair: tuple[ServiceMap, Order]):
    assert not {"map-cycle", "map-unreachable"} & {fault.reference for fault in check_map(repair[0])}


def test_the_demonstration_order_finds_its_family():
    assert resolve(alcove_order()) == alcove()
    assert stands_in(alcove_order(), alcove()) == ""


def test_without_a_map_for_the_family_the_generic_one_stands_in_and_says_so():
    ordered = order("fan", unit=unit("mill-and-weir-9"))
    map = resolve(ordered)

    assert map.generic
    assert "no service map for mill-and-weir-9: the generic map for the form all-in-one" in stands_in(
        ordered, map
    )


def test_a_family_spelt_wrong_is_not_silently_worked_from_the_generic_map():
    said = refused(order("fan", unit=unit("tarnwick-alcove24")))

    assert "did you mean tarnwick-alcove-24?" in said
    assert "leave it empty for the generic all-in-one map" in said


def test_a_bench_folder_may_hold_maps_of_its_own(tmp_path: Path):
    mine = small(family="mill-and-weir-9", form=Form.LAPTOP)
    (tmp_path / "mill-and-weir-9.json").write_text(json.dumps(to_json(mine)))
    ordered = order("fan", unit=unit("mill-and-weir-9", Form.LAPTOP))

    assert resolve(ordered, (tmp_path, tmp_path / "missing")) == mine
    with pytest.raises(DocumentError, match="/unit/form"):
        resolve(order("fan", unit=unit("mill-and-weir-9", Form.TOWER)), (tmp_path,))


def test_the_bench_folder_comes_before_the_maps_of_the_program(tmp_path: Path):
    other = replace(generic_map(Form.LAPTOP), revision=99)
    (tmp_path / "laptop.json").write_text(json.dumps(to_json(other)))

    assert resolve(order("fan"), (tmp_path,)).revision == 99


def test_a_family_is_a_name_and_never_a_path():
    assert resolve(order("fan", unit=unit("../../etc/passwd"))).generic


def test_an_unknown_part_is_named_with_its_line_and_what_is_near():
    ordered = replace(alcove_order(), lines=order("main-board", "thermal-compond").lines)
    said = refused(ordered)

    assert "/lines/1/part: no part or cable thermal-compond in the service map tarnwick-alcove-24" in said
    assert "did you mean thermal-compound?" in said


def test_a_part_on_two_lines_is_refused():
    with pytest.raises(DocumentError, match="/lines/1/part: fan again"):
        accept(order("fan", ("fan", Action.REPLACED)), small())


def test_an_order_for_another_family_does_not_fit_a_map_chosen_by_hand():
    with pytest.raises(DocumentError, match="/unit/family: other; allowed: small"):
        accept(order("fan", unit=unit("other", Form.LAPTOP)), small())


def test_a_cable_can_be_worked_on():
    assert accept(order("fan-cable"), small()) == small()


def test_a_faulty_map_is_refused_with_every_fault():
    faulty = small(parts=(part("lid", "board"), part("board", "lid", place="nowhere", kind=PartKind.BOARD)))

    with pytest.raises(DocumentError) as error:
        accept(order("lid"), faulty)
    assert {"map-cycle", "map-unknown"} <= {fault.reference for fault in error.value.faults}
