"""Devices that appear and leave while we look, as udev and the kernel tell of them."""

import os
import subprocess
import sys
from types import SimpleNamespace

import pytest

from agent.machine.linux import hotplug
from agent.machine.linux.files import Tree
from agent.machine.linux.hotplug import Motion, Watch
from reports.model.evidence import Absent, Why
from tests.support.tools import PROJECT, need
from tests.support.units import description, unit_in

USB1 = "/devices/pci0000:00/0000:00:14.0/usb1"
CAMERA = f"{USB1}/1-7"


class Told:
    """A monitor that has these events to tell."""

    def __init__(self, *events):
        self.events = [SimpleNamespace(action=action, device_path=path) for action, path in events]

    def poll(self, timeout=None):
        assert timeout == 0
        return self.events.pop(0) if self.events else None


def watch(tmp_path, *events):
    return Watch(unit_in("all-in-one-alcove-24", tmp_path).tree, Told(*events))


def test_a_device_that_left_is_named_by_what_it_was_called_before(tmp_path):
    unit = unit_in("all-in-one-alcove-24", tmp_path)
    watch = Watch(unit.tree, Told(("remove", CAMERA)))
    unit.place("/sys/bus/usb/devices/1-7").unlink()
    for name in ("product", "bDeviceClass", "devpath", "removable"):
        unit.place(f"/sys{CAMERA}/{name}").unlink(missing_ok=True)

    (change,) = watch.changes()

    assert (change.motion, change.id, change.name) == (
        Motion.LEFT,
        "pci-0000:00:14.0-usb-0:7",
        "Alcove camera",
    )


def test_a_device_that_came_and_went_is_named_by_what_it_said_when_it_came(tmp_path):
    unit, told = unit_in("all-in-one-alcove-24", tmp_path), Told(("add", f"{USB1}/1-3"))
    watch = Watch(unit.tree, told)
    said = {"bDeviceClass": "00", "devpath": "3", "removable": "removable", "product": "Tarnwick Stick"}
    folder = unit.device(f"{USB1}/1-3".removeprefix("/devices/"), **said)
    (appeared,) = watch.changes()

    for name in said:
        unit.place(f"{folder}/{name}").unlink()
    told.events.append(SimpleNamespace(action="remove", device_path=f"{USB1}/1-3"))
    (left,) = watch.changes()

    assert (appeared.motion, left.motion) == (Motion.APPEARED, Motion.LEFT)
    assert appeared.name == left.name == "Tarnwick Stick"
    assert appeared.inside.value is left.inside.value is False


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("/devices/pci0000:00/0000:00:1d.0/0000:03:00.0", "1d00:0a0a"),
        (
            "/devices/pci0000:00/0000:00:17.0/ata2/host1/target1:0:0/1:0:0:0/block/sda",
            "TARNWICK SLOW 1T",
        ),
        ("/devices/pci0000:00/0000:00:1d.0/0000:03:00.0/nvme/nvme0/nvme0n1", "Tarnwick Swift 256"),
        ("/devices/pci0000:00/0000:00:1c.7/0000:09:00.0", ""),
    ],
)
def test_cards_and_drives_are_named_too(tmp_path, path, name):
    (change,) = watch(tmp_path, ("remove", path)).changes()

    assert change.name == name
    assert change.inside.value is True


def test_other_events_move_nothing_and_each_is_told_once(tmp_path):
    it = watch(tmp_path, ("change", CAMERA), ("bind", CAMERA), ("remove", CAMERA))

    assert [change.motion for change in it.changes()] == [Motion.LEFT]
    assert it.changes() == ()


def test_more_events_than_could_be_kept_are_no_silence(tmp_path):
    class Flooded:
        def poll(self, timeout=None):
            raise OSError(105, "No buffer space available")

    it = Watch(unit_in("all-in-one-alcove-24", tmp_path).tree, Flooded())

    assert it.changes() == Absent(Why.DID_NOT_ANSWER, "udev events", "No buffer space available")


@pytest.mark.parametrize(
    "error", [OSError("Could not create udev monitor"), ImportError("No library named udev")]
)
def test_a_system_without_events_says_so(monkeypatch, error):
    import pyudev

    def refused(*_, **__):
        raise error

    monkeypatch.setattr(pyudev, "Context", refused)
    with hotplug.watching(Tree()) as it:
        assert it.changes() == Absent(Why.NOT_SUPPORTED, "udev events", str(error))


@pytest.mark.parametrize(("udevd", "source"), [(True, "udev"), (False, "kernel")])
def test_where_udevd_runs_its_events_are_taken_and_else_the_kernels(unit, monkeypatch, udevd, source):
    import pyudev

    asked, filters = [], []
    monitor = SimpleNamespace(
        filter_by=lambda *which: filters.append(which), start=lambda: None, poll=Told().poll
    )
    monkeypatch.setattr(
        pyudev.Monitor, "from_netlink", lambda context, source: (asked.append(source), monitor)[1]
    )
    if udevd:
        unit.file("/run/udev/control", "")

    with hotplug.watching(unit.tree) as it:
        assert it.changes() == ()
    assert asked == [source]
    assert tuple(filters) == hotplug.WATCHED


def test_this_computer_can_be_watched_and_nothing_leaves_it_meanwhile():
    with hotplug.watching(Tree()) as it:
        changes = it.changes()

    assert changes == () or isinstance(changes, Absent)


EVENTS = """
import ctypes, sys
from agent.machine.linux import hotplug
from agent.machine.linux.files import Tree
from tests.support.tools import PROJECT

bed_of = ctypes.CDLL("libumockdev.so.0")
bed_of.umockdev_testbed_new.restype = ctypes.c_void_p
bed = ctypes.c_void_p(bed_of.umockdev_testbed_new())
with open(sys.argv[1], "rb") as file:
    assert bed_of.umockdev_testbed_add_from_string(bed, file.read(), None)
with hotplug.watching(Tree()) as watch:
    for action, path in (line.split() for line in sys.argv[2:]):
        bed_of.umockdev_testbed_uevent(bed, f"/sys{path}".encode(), action.encode())
    for change in watch.changes():
        print(change.motion, change.id, change.name, sep="|")
"""


def test_events_of_the_system_are_heard_through_udevs_own_library():
    """umockdev sends them where a daemon would; of the interfaces below a device none is told."""
    lines = [f"remove {CAMERA}/1-7:1.0", f"remove {CAMERA}", f"add {CAMERA}", f"change {CAMERA}"]
    done = subprocess.run(
        [need("umockdev-wrapper"), sys.executable, "-c", EVENTS, description("all-in-one-alcove-24"), *lines],
        capture_output=True, text=True, timeout=60, check=False,
        env=os.environ | {"PYTHONPATH": str(PROJECT)},
    )  # fmt: skip

    assert done.stderr == ""
    assert done.stdout.splitlines() == [
        "left|pci-0000:00:14.0-usb-0:7|Alcove camera",
        "appeared|pci-0000:00:14.0-usb-0:7|Alcove camera",
    ]
