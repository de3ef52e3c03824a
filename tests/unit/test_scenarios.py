"""The scenario files hold together, and what is made of them is what other programs read."""

from __future__ import annotations

import subprocess

import pytest

from agent.planning.mapcheck import PACKAGED, resolve
from agent.planning.plan import make_plan
from reports.codec import map_from, order_from
from tests.support.firmware import END, dump, entry_point, said
from tests.support.tools import need
from tests.unit import climate, runner, smbios
from tests.unit.parts import PARTS
from tests.unit.scenario import Unit, units

UNITS = units()
SCENARIOS = [(unit, scenario) for unit in UNITS for scenario in unit.scenarios]


def of_each_unit(test):
    return pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)(test)


def test_every_run_has_four_good_units_and_two_dozen_single_faults():
    short = [scenario for _, scenario in SCENARIOS if not scenario.long]
    good = {scenario.unit for scenario in short if scenario.is_good}
    faults = [scenario for scenario in short if not scenario.is_good]

    assert len(good) >= 4
    assert len(faults) >= 24


@of_each_unit
def test_every_start_and_part_that_a_unit_names_is_known(unit: Unit):
    for scenario in unit.scenarios:
        data = unit.started(scenario.boot)
        assert scenario.order in data["orders"]
        assert set(data["parts"]) <= {"tpm", *PARTS}
    names = [scenario.name for scenario in unit.scenarios]
    assert len(names) == len(set(names))


@of_each_unit
def test_a_start_changes_what_it_names_and_nothing_else(unit: Unit):
    as_it_is = unit.started("")
    for boot in as_it_is.get("boot", ()):
        changed = unit.started(boot["name"])
        differ = {key for key in as_it_is if changed[key] != as_it_is[key]}
        assert differ == boot.keys() - {"name"} - {key for key in boot if key not in as_it_is}


@of_each_unit
def test_every_finding_that_must_come_is_planned(unit: Unit):
    data = unit.started("")
    own = {name: map_from(raw, name) for name, raw in runner._maps(data)}
    orders = {name: order_from(raw, name, None) for name, raw in runner._orders(unit, data)}
    for scenario in unit.scenarios:
        order = orders[runner.number_of(scenario.order)]
        service_map = own.get(order.unit.family) or resolve(order, (PACKAGED,))
        planned = {step.id for step in make_plan(order, service_map).steps}
        wanted = {id for id in (*scenario.fails, *scenario.unmeasured) if not _compares(id)}
        assert wanted <= planned, scenario.name


def _compares(id: str) -> bool:
    """Planned only beside a baseline, which is taken in the unit."""
    return ".same/" in id or ".settings/" in id


@of_each_unit
def test_the_firmware_tables_of_a_unit_read_as_dmidecode_reads_them(unit: Unit, tmp_path):
    table = unit.data["firmware"]
    raw = b"".join(path.read_bytes() for path in smbios.write(tmp_path, table)) + END
    (tmp_path / "dump").write_bytes(dump(entry_point(raw), raw))

    text = subprocess.run(
        [need("dmidecode"), "--from-dump", str(tmp_path / "dump")], capture_output=True, text=True, check=True
    ).stdout
    found = {each.type: each.fields for each in said(text)}
    sizes = [each.fields["Size"] for each in said(text) if each.type == 17]

    assert found[1]["Serial Number"] == table["serial"]
    assert found[1]["UUID"] == table["uuid"]
    assert found[0]["Version"] == table["version"]
    assert found[4]["Core Count"] == str(table["cores"])
    assert sizes == [
        f"{slot['gib']} GB" if slot.get("gib") else "No Module Installed" for slot in table["memory"]
    ]


@pytest.mark.parametrize(
    ("line", "busy"),
    [
        ("cpu  0 0 0 100 0 0 0 0 0 0", 0.0),
        ("cpu  0 100 0 0 0 0 0 0 0 0", 1.0),
        ("cpu  20 0 80 100 0 0 0 0 0 0", 0.025),  # nothing but its own housekeeping, half of the time
    ],
)
def test_the_load_heats_a_unit_and_its_housekeeping_hardly(line, busy, tmp_path):
    (tmp_path / "worked").write_text(f"{line}\n")

    work, whole = climate.worked(tmp_path / "worked")

    assert work / whole == busy


@pytest.mark.parametrize("text", ["", "cpu  12 3", None])
def test_what_a_unit_is_just_writing_is_read_another_time(text, tmp_path):
    if text is not None:
        (tmp_path / "worked").write_text(text)

    assert climate.worked(tmp_path / "worked") is None
