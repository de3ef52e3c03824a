"""The stick's data partition: used only where it is ours, and only while nothing else can be written to."""

import errno

import pytest

from agent.machine.linux.files import Tree
from agent.stick.medium import medium_of_stick, partition, trouble
from reports.errors import DocumentError

NUMBER = "2a8e7c11-01"
COMMAND_LINE = f"quiet benchproof.data=PARTUUID={NUMBER} console=ttyS0"


def drive(root, name, bus, *, ro="1", removable="0", parts=()):
    """A whole drive as the kernel shows one (Documentation/ABI/stable/sysfs-block), with its partitions."""
    folder = root / "sys/devices/pci0000:00" / bus / "block" / name
    folder.mkdir(parents=True)
    for file, text in (("ro", ro), ("removable", removable), ("size", "1000"), ("dev", "8:0")):
        (folder / file).write_text(f"{text}\n")
    (folder / "device").mkdir()
    link(root, name, folder)
    for index, (part, number) in enumerate(parts, 1):
        (folder / part).mkdir()
        (folder / part / "partition").write_text(f"{index}\n")
        (folder / part / "uevent").write_text(f"DEVTYPE=partition\nPARTN={index}\nPARTUUID={number}\n")
        link(root, part, folder / part)


def link(root, name, folder):
    place = root / "sys/class/block" / name
    place.parent.mkdir(parents=True, exist_ok=True)
    place.symlink_to(folder)


@pytest.fixture
def root(tmp_path):
    """A unit with an NVMe drive, started from a stick."""
    (tmp_path / "proc/self").mkdir(parents=True)
    (tmp_path / "proc/cmdline").write_text(COMMAND_LINE)
    (tmp_path / "proc/self/mountinfo").write_text("")
    drive(tmp_path, "nvme0n1", "0000:01:00.0/nvme/nvme0", parts=[("nvme0n1p1", "9f9f-01")])
    drive(
        tmp_path,
        "sdb",
        "0000:00:14.0/usb1/1-2",
        ro="0",
        removable="1",
        parts=[("sdb1", NUMBER), ("sdb2", "2a8e7c11-02")],
    )
    return tmp_path


def refused(root, number=NUMBER):
    with pytest.raises(DocumentError) as caught:
        partition(Tree(root), number)
    (fault,) = caught.value.faults
    return fault.reference, str(caught.value)


def test_the_partition_that_the_kernel_was_told_of_is_found(root):
    medium = medium_of_stick(tree=Tree(root))

    assert medium.number == NUMBER
    assert partition(medium.tree, medium.number) == "sdb1"
    assert partition(medium.tree, NUMBER.upper()) == "sdb1"


def test_a_partition_can_be_named_by_its_node(root):
    assert medium_of_stick("/dev/sdb2", Tree(root)).number == "2a8e7c11-02"
    with pytest.raises(DocumentError, match="no partition /dev/sdz9"):
        medium_of_stick("/dev/sdz9", Tree(root))


def test_a_computer_that_was_not_started_from_the_stick_has_none(root):
    (root / "proc/cmdline").write_text("quiet")

    with pytest.raises(DocumentError, match="--data FOLDER"):
        medium_of_stick(tree=Tree(root))


@pytest.mark.parametrize("says", ["0", "", None], ids=["writable", "blank", "unknown"])
def test_it_stops_when_a_drive_of_the_unit_is_not_read_only(root, says):
    flag = root / "sys/class/block/nvme0n1/ro"
    flag.unlink() if says is None else flag.write_text(f"{says}\n")

    reference, words = refused(root)

    assert reference == "drive-not-read-only"
    assert "the drive nvme0n1 could be written to" in words


def test_the_drives_are_looked_at_again_each_time(root):
    assert partition(Tree(root), NUMBER) == "sdb1"
    drive(root, "sda", "0000:00:17.0/ata1/host0", ro="0")

    assert refused(root)[0] == "drive-not-read-only"


def test_a_second_stick_that_is_plugged_in_must_be_read_only_too(root):
    drive(root, "sdc", "0000:00:14.0/usb1/1-3", ro="0", removable="1", parts=[("sdc1", "77-01")])

    assert "sdc" in refused(root)[1]


def test_a_partition_of_a_drive_of_the_unit_is_never_taken_for_the_stick(root):
    (root / "proc/cmdline").write_text("benchproof.data=PARTUUID=9f9f-01")

    assert refused(root, "9f9f-01")[0] == "stick-not-ours"


def test_two_partitions_of_one_number_are_not_guessed_between(root):
    drive(root, "sdc", "0000:00:14.0/usb1/1-3", removable="1", parts=[("sdc1", NUMBER)])

    assert refused(root)[0] == "stick-twice"


def test_a_stick_that_was_pulled_is_gone_and_one_that_is_back_is_found_under_another_name(root):
    (root / "sys/class/block/sdb").unlink()
    with pytest.raises(OSError, match="No such device") as caught:
        partition(Tree(root), NUMBER)
    assert trouble(caught.value) == "the stick is gone: put it back into this unit"
    drive(root, "sdd", "0000:00:14.0/usb1/1-4", ro="0", removable="1", parts=[("sdd1", NUMBER)])

    assert partition(Tree(root), NUMBER) == "sdd1"


def test_where_drives_cannot_be_listed_nothing_is_mounted(tmp_path):
    (tmp_path / "proc").mkdir()

    assert refused(tmp_path)[0] == "drives-unknown"


@pytest.mark.parametrize("code", [errno.ENODEV, errno.EROFS, errno.ENOSPC, errno.EIO, errno.EINVAL, 524])
def test_every_trouble_is_one_sentence_that_says_what_to_do(code):
    words = trouble(OSError(code, "odd\x1b[2J"))

    assert words.startswith(("the stick", "its data partition"))
    assert ": " in words
    assert "\x1b" not in words
