"""What a computer is and has: grouped by what the order touches, nothing left out, absences with reasons."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace

import pytest

from agent.exits import Exit
from agent.inventory import SECTIONS, Touched, inventory
from reports.model.evidence import Absent, Why
from reports.model.servicemap import PartKind
from tests.support.bench import NUMBER, UNIT, bench_in
from tests.support.machines import absent, laptop, said, slot


@pytest.fixture
def bench(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("BENCHPROOF_BENCH", str(tmp_path / "bench"))
    return bench_in(tmp_path / "bench", lambda: "".join(capsys.readouterr()))


def rest(kind):
    return Touched.REST


def section(title, **facts):
    (group,) = inventory(laptop(**facts), rest)
    return next(each for each in group.sections if each.title == title)


def test_everything_that_can_be_asked_stands_once_whatever_is_touched():
    def some(kind):
        return {PartKind.MEMORY: Touched.WORKED, PartKind.FAN: Touched.DISTURBED}.get(kind, Touched.REST)

    groups = inventory(laptop(), some)

    assert [group.touched for group in groups] == list(Touched)
    assert {each.kind for each in groups[0].sections} == {PartKind.MEMORY}
    titles = [each.title for group in groups for each in group.sections]
    assert sorted(titles) == sorted(title for _, title, _ in SECTIONS)


def test_a_device_tells_every_member_with_its_own_reading():
    (first, second) = section("memory slots", memory_slots=(slot(), slot("Slot 2", gib=0))).items

    facts = {fact.name: fact.value for fact in first.facts}
    assert facts["capacity"] == slot().capacity
    assert facts["part number"] == slot().part_number
    assert isinstance({fact.name: fact.value for fact in second.facts}["serial"], Absent)


def test_a_list_nobody_could_look_at_is_no_empty_list():
    assert section("drives", drives=absent(Why.NOT_PERMITTED)).items.why is Why.NOT_PERMITTED
    assert section("drives", drives=()).items == ()


def test_the_screen_says_none_found_and_why_nobody_could_look(bench):
    def bare(unit):
        unit.update(eyes=[], hidden_storage="")

    _, text = bench.type("inventory", "--rehearse", bench.unit(bare))

    assert "cameras: none found" in text
    assert "hidden storage: controller [not there]" in text


def test_what_the_order_touches_comes_first(bench):
    status, text = bench.type("inventory", NUMBER, "--rehearse", UNIT)

    assert status == Exit.DONE
    places = [text.index(words) for words in ("WORKED ON - ", "identity: ", "DISTURBED - ", "drives: ")]
    assert places == sorted(places)
    assert text.index("NOT TOUCHED") > places[-1]


def test_json_gives_what_the_screen_gives(bench):
    _, text = bench.type("inventory", NUMBER, "--rehearse", UNIT, "--json")

    told = json.loads(text)
    assert told["source"] == "rehearsal"
    assert [group["touched"] for group in told["groups"]] == ["worked on", "disturbed", "not touched"]
    titles = {section["title"] for group in told["groups"] for section in group["sections"]}
    assert titles == {title for _, title, _ in SECTIONS}


def test_the_screen_is_80_columns_of_ascii(bench):
    def long(unit):
        unit["disks"][0].update(model="x" * 150)

    _, text = bench.type("inventory", NUMBER, "--rehearse", bench.unit(long))

    assert text.isascii()
    assert max(len(line) for line in text.splitlines()) <= 80


def test_no_escape_of_a_device_reaches_the_terminal(bench):
    def hostile(unit):
        unit["eyes"][0].update(model="\x1b[2Jgone\u202e", id="cam\x1b[0m")

    _, text = bench.type("inventory", "--rehearse", bench.unit(hostile))

    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "\\u001b[2Jgone\\u202e" in text


def test_nothing_is_written_but_a_line_of_the_log(bench):
    before = set(bench.root.rglob("*"))
    bench.type("inventory", NUMBER, "--rehearse", UNIT)

    assert {path.name for path in set(bench.root.rglob("*")) - before} == {"benchproof.log"}


def test_this_computer_is_told(tmp_path):
    command = [sys.executable, "-m", "agent.cli", "inventory", "--json", "--bench", str(tmp_path)]

    printed = subprocess.run(command, capture_output=True, check=True).stdout

    assert json.loads(printed)["source"] == "live"


@pytest.mark.parametrize("kind", sorted({kind for kind, _, _ in SECTIONS}))
def test_a_device_whose_reading_is_missing_still_stands_there(kind):
    """Whatever is absent of a machine, each section stays."""
    silent = {
        name: absent(Why.DID_NOT_ANSWER)
        for name in ("memory_slots", "drives", "radios", "cameras", "fans", "temperature_sensors")
    }
    (group,) = inventory(laptop(**silent), rest)

    assert kind in {each.kind for each in group.sections}


def test_settings_are_told_system_by_system():
    machine = laptop()
    settings = replace(machine.firmware_settings(), boot_entries=(said("First"), said("Second")))

    (item,) = section("firmware settings", firmware_settings=settings).items

    assert [fact.value.value for fact in item.facts if "boot" in fact.name] == [True, "First", "Second"]
