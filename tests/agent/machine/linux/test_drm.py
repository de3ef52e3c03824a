"""Display connectors: what hangs on them, and whether its own data arrived sound."""

import errno
import subprocess
import sys

import pytest

from agent.machine.linux import drm
from reports.model.evidence import Absent, Reading, Why
from tests.support.edids import SAMPLE, VECTORS, edid_decode, panel
from tests.support.tools import PROJECT, need, output, under_umockdev

GPU = "pci0000:00/0000:00:02.0"
EDID = "/sys/class/drm/card0-eDP-1/edid"


def connector(unit, name="eDP-1", status="connected", edid=SAMPLE, card=0):
    return unit.device(f"{GPU}/drm/card{card}/card{card}-{name}", "drm", status=status, edid=edid)


def only(unit):
    (found,) = drm.connectors(unit.tree)
    return found


def test_a_panel_that_answers_gives_its_maker_number_and_name(unit):
    connector(unit)

    assert only(unit) == drm.Connector(
        id="eDP-1",
        internal=True,
        connected=Reading(True, "", "/sys/class/drm/card0-eDP-1/status"),
        fault=Reading("", "", EDID),
        model=Reading("XYZ 4660 BENCH-24", "", EDID),
    )


def test_a_panel_without_a_name_is_known_by_its_maker_and_number(unit):
    connector(unit, edid=panel(name=b"\n"))

    assert only(unit).model.value == "XYZ 4660"


@pytest.mark.parametrize(
    ("name", "internal"),
    [
        ("eDP-1", True), ("LVDS-1", True), ("DSI-2", True),
        ("HDMI-A-1", False), ("DP-3", False), ("DVI-D-1", False), ("VGA-1", False), ("Unknown-1", False),
    ],
)  # fmt: skip
def test_the_sort_of_a_connector_says_whether_it_leads_to_a_panel_inside(unit, name, internal):
    connector(unit, name)

    assert (only(unit).id, only(unit).internal) == (name, internal)


@pytest.mark.parametrize(("status", "connected"), [("connected", True), ("disconnected", False)])
def test_the_driver_says_whether_something_hangs_on_it(unit, status, connected):
    connector(unit, status=status)

    assert only(unit).connected.value is connected


@pytest.mark.parametrize("status", ["unknown", "", "on"])
def test_a_driver_that_cannot_tell_is_not_understood(unit, status):
    connector(unit, status=status)

    assert only(unit).connected == Absent(Why.NOT_UNDERSTOOD, "/sys/class/drm/card0-eDP-1/status", status)


def test_a_panel_that_gives_nothing_is_told_from_one_whose_data_arrive_spoilt(unit):
    connector(unit, edid=b"")
    connector(unit, "DP-1", edid=SAMPLE[:-1] + b"\0")

    spoilt, silent = drm.connectors(unit.tree)

    assert silent.fault == silent.model == Absent(Why.NOT_THERE, EDID, "empty")
    assert spoilt.fault.value == "checksum of block 0"


@pytest.mark.parametrize("length", [1, 11])
def test_data_that_end_before_the_maker_name_no_model(unit, length):
    connector(unit, edid=SAMPLE[:length])

    assert only(unit).model == Absent(Why.NOT_UNDERSTOOD, EDID, f"{length} bytes of at least 128")


@pytest.mark.parametrize(
    ("number", "why"),
    [(errno.EACCES, Why.NOT_PERMITTED), (errno.EIO, Why.DID_NOT_ANSWER), (errno.ENOENT, Why.NOT_THERE)],
)
def test_data_that_cannot_be_read_say_why(unit, refuse, number, why):
    connector(unit)
    refuse({"/edid": number})

    assert only(unit).fault.why is only(unit).model.why is why
    assert only(unit).connected.value is True


def test_what_the_kernel_writes_into_memory_is_no_connector(unit):
    connector(unit, "Writeback-1")

    assert drm.connectors(unit.tree).detail == "no display driver shows a connector"


def test_cards_and_render_nodes_are_no_connectors(unit):
    unit.device(f"{GPU}/drm/card0", "drm")
    unit.device(f"{GPU}/drm/renderD128", "drm")
    connector(unit)

    assert only(unit).id == "eDP-1"


def test_without_a_display_driver_nobody_knows(unit):
    assert drm.connectors(unit.tree) == Absent(Why.NOT_THERE, drm.CLASS)
    unit.place(drm.CLASS).mkdir()
    assert drm.connectors(unit.tree).why is Why.NOT_THERE


ASK = """
from agent.machine.linux import drm
from agent.machine.linux.files import Tree
(panel,) = drm.connectors(Tree())
print(panel.model.value, panel.connected.value, repr(panel.fault.value), sep="|")
"""
PLATFORM = PROJECT / "tests" / "vectors" / "powercap" / "platform-sample.umockdev"


def test_the_panel_of_a_made_platform_reads_as_edid_decode_reads_it(tmp_path):
    """A binary attribute of 128 bytes, through the kernel's interface."""
    raw = subprocess.run(
        [need("umockdev-run"), "--device", PLATFORM, "--", "cat", EDID],
        capture_output=True, check=True, timeout=60,
    ).stdout  # fmt: skip
    theirs = edid_decode(raw, tmp_path / "panel")

    assert len(raw) == 128
    assert under_umockdev(PLATFORM, sys.executable, "-c", ASK).strip() == (
        f"{theirs.maker} {theirs.product} {theirs.name}|True|''"
    )


def test_edid_decode_still_says_what_was_written_down(tmp_path):
    (tmp_path / "panel").write_bytes(SAMPLE)
    now = output(need("edid-decode"), "--check", tmp_path / "panel")
    kept = (VECTORS / "edid-sample.edid-decode.txt").read_text()

    assert kept.partition("----------------")[0] in now
    assert kept.rpartition("\n\n")[2] in now
