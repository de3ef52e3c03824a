"""Cameras: pictures count, metadata and codecs do not, one camera is one."""

import errno

from agent.machine.linux import v4l2
from reports.model.evidence import Why
from tests.support.airwaves import UAPI

USB = "pci0000:00/0000:00:14.0/usb1/1-6"
PICTURES, METADATA, CODEC = 0x04200001, 0x04A00000, 0x04204000


def node(unit, number, interface="1-6:1.0", index=0, name="Built-in camera"):
    parent = f"{USB}/{interface}"
    unit.device(parent)
    if not unit.tree.exists(f"/sys/devices/{parent}/driver"):
        unit.drive(f"/sys/devices/{parent}", "tarnvideo")
    unit.device(
        f"{parent}/video4linux/video{number}",
        "video4linux",
        parent=parent,
        index=index,
        name=name,
        dev=f"81:{number}",
    )


def answering(bits):
    return lambda path: bits[path.rpartition("/")[2]]


def refused(path):
    raise OSError(errno.EACCES, "refused")


def test_the_numbers_of_the_kernel_are_those_of_its_header():
    assert UAPI["VIDIOC_QUERYCAP"] == v4l2._QUERYCAP
    assert v4l2._CAPABILITY.size == UAPI["sizeof_v4l2_capability"]
    assert UAPI["V4L2_CAP_VIDEO_CAPTURE"] | UAPI["V4L2_CAP_VIDEO_CAPTURE_MPLANE"] == v4l2._PICTURES
    assert UAPI["V4L2_CAP_VIDEO_M2M"] | UAPI["V4L2_CAP_VIDEO_M2M_MPLANE"] == v4l2._CONVERTER
    assert UAPI["V4L2_CAP_DEVICE_CAPS"] == v4l2._PER_NODE


def test_the_metadata_node_of_a_camera_is_not_counted(unit):
    node(unit, 0)
    node(unit, 1, index=1)

    (camera,) = v4l2.cameras(unit.tree, answering({"video0": PICTURES, "video1": METADATA}))

    assert (camera.id, camera.node) == ("pci-0000:00:14.0-usb-0:6:1.0", "/dev/video0")
    assert (camera.model.value, camera.driver.value) == ("Built-in camera", "tarnvideo")


def test_a_second_sensor_on_its_own_interface_is_a_second_camera(unit):
    node(unit, 0)
    node(unit, 2, "1-6:1.2")

    assert len(v4l2.cameras(unit.tree, answering({"video0": PICTURES, "video2": PICTURES}))) == 2


def test_a_codec_is_no_camera(unit):
    node(unit, 0)

    assert v4l2.cameras(unit.tree, answering({"video0": CODEC | PICTURES})) == ()


def test_where_the_node_may_not_be_opened_udev_is_asked(unit):
    node(unit, 0)
    node(unit, 1)
    unit.file("/run/udev/data/c81:0", "E:ID_V4L_CAPABILITIES=:capture:")
    unit.file("/run/udev/data/c81:1", "E:ID_V4L_CAPABILITIES=:")

    assert [camera.node for camera in v4l2.cameras(unit.tree, refused)] == ["/dev/video0"]


def test_where_neither_answers_the_first_node_of_the_interface_counts(unit):
    node(unit, 0)
    node(unit, 1, index=1)

    assert [camera.node for camera in v4l2.cameras(unit.tree, refused)] == ["/dev/video0"]


def test_a_file_in_the_place_of_a_node_is_not_asked(unit):
    node(unit, 0)
    unit.file("/dev/video0", "no device")

    assert [camera.node for camera in v4l2.cameras(unit.tree)] == ["/dev/video0"]


def test_a_camera_on_usb_that_no_driver_took_is_a_camera_without_a_driver(unit):
    unit.device(USB, "usb", bus=True, product="Built-in camera")
    unit.device(f"{USB}/1-6:1.0", "usb", bus=True, bInterfaceClass="0e", bInterfaceSubClass="01")
    unit.device(f"{USB}/1-6:1.1", "usb", bus=True, bInterfaceClass="0e", bInterfaceSubClass="02")

    (camera,) = v4l2.cameras(unit.tree)

    assert (camera.model.value, camera.driver.why) == ("Built-in camera", Why.NOT_THERE)


def test_no_camera_is_told_from_no_way_to_look(unit):
    assert v4l2.cameras(unit.tree) == ()
    unit.place("/sys/class").rmdir()
    assert v4l2.cameras(unit.tree).why is Why.NOT_THERE
