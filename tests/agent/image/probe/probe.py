#!/usr/bin/python3 -P
"""Stands in the agent's place in a test image: says what it finds, and tries what must be refused.

Facts go as one JSON object to `reports/` on the stick, as a report would; the time of each step to the serial
port, where the host's clock is put to it.
"""

import ctypes
import errno
import fcntl
import json
import os
import subprocess
import time
from pathlib import Path

BLKDISCARD = 0x1277  # include/uapi/linux/fs.h: _IO(0x12, 119)
MNT = Path("/run/probe")
COMMAND_LINE = dict(word.partition("=")[::2] for word in Path("/proc/cmdline").read_text().split())


def say(step):
    with open("/dev/ttyS0", "w") as serial:
        serial.write(f"\nPROBE {step} {time.clock_gettime(time.CLOCK_BOOTTIME):.2f}\n")


def told(act, *arguments):
    """What the kernel says to `act`: "done" or the name of the error."""
    try:
        act(*arguments)
    except OSError as error:
        return errno.errorcode.get(error.errno, str(error.errno))
    return "done"


def write(path, offset=0):
    descriptor = os.open(path, os.O_RDWR)
    try:
        same = os.pread(descriptor, 512, offset)
        os.pwrite(descriptor, bytes(byte ^ 0xFF for byte in same), offset)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def discard(path):
    descriptor = os.open(path, os.O_RDWR)
    try:
        fcntl.ioctl(descriptor, BLKDISCARD, bytes(8) + (4096).to_bytes(8, "little"))
    finally:
        os.close(descriptor)


def mount(device, kind, flags=0):
    libc = ctypes.CDLL(None, use_errno=True)
    MNT.mkdir(exist_ok=True)
    if libc.mount(device.encode(), str(MNT).encode(), kind.encode(), flags, None):
        raise OSError(ctypes.get_errno(), "mount")


def unmount():
    subprocess.run(["umount", MNT], check=True)


def partitioned(device):
    """What a partitioning program says (the host's, carried along in the test image)."""
    command = ["/usr/lib/probe/ld.so", "--library-path", "/usr/lib/probe", "/usr/lib/probe/sfdisk", device]
    done = subprocess.run(command, input="label: gpt\n,10M\n", capture_output=True, text=True)
    return done.returncode, (done.stdout + done.stderr)[-300:]


def ids(name):
    command = ["blkid", "-p", "-s", "PART_ENTRY_UUID", "-o", "value", f"/dev/{name}"]
    return subprocess.run(command, capture_output=True, text=True).stdout.strip()


def blocks():
    """Every block device but loops: name to whether it is read-only."""
    found = sorted(Path("/sys/class/block").iterdir())
    return {path.name: (path / "ro").read_text().strip() == "1" for path in found if "loop" not in path.name}


def stick_parts():
    data = COMMAND_LINE["benchproof.data"].removeprefix("PARTUUID=")
    return [
        path.parent.name
        for path in Path("/sys/class/block").glob("*/partition")
        if ids(path.parent.name) == data
    ]


def refusals(names):
    return {
        name: {
            "write": told(write, f"/dev/{name}"),
            "discard": told(discard, f"/dev/{name}"),
            "mount vfat": told(mount, f"/dev/{name}", "vfat"),
            "mount ext4": told(mount, f"/dev/{name}", "ext4"),
        }
        for name in names
    }


def variables():
    folder = Path("/sys/firmware/efi/efivars")
    if not folder.is_dir():
        return None
    new = folder / "Probe-12345678-1234-1234-1234-123456789abc"
    return {"count": len(list(folder.iterdir())), "write": told(new.write_bytes, b"\7\0\0\0x")}


def secure_boot():
    """The firmware's own word (UEFI 2.10, 3.3): four bytes of attributes, then 1 where it is on."""
    found = list(Path("/sys/firmware/efi/efivars").glob("SecureBoot-8be4df61-*"))
    return found[0].read_bytes()[4] if found else None


def read(path):
    try:
        return Path(path).read_text().strip()
    except OSError as error:
        return errno.errorcode[error.errno]


def ran(*command):
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return {"code": done.returncode, "out": done.stdout[-4000:], "err": done.stderr[-2000:]}


def agent():
    """The agent itself: that it starts, and how long it and its libraries take."""
    began = time.monotonic()
    helped = ran("/usr/local/bin/benchproof.agent", "--help")
    libraries = (
        "import numpy, cryptography.x509, sqlalchemy, pyudev, pyroute2, rich, cattrs, jsonschema, rfc8785"
    )
    imported = ran("/usr/bin/python3", "-P", "-c", libraries)
    return {"help": helped["code"], "import": imported, "seconds": round(time.monotonic() - began, 2)}


def facts():
    stick = stick_parts()
    disk = os.path.basename(os.path.realpath(f"/sys/class/block/{stick[0]}/.."))
    others = [name for name in blocks() if name not in {disk, stick[0]}]
    disks = [name for name in others if not Path(f"/sys/class/block/{name}/partition").exists()]
    return {
        "stick": {"data": stick, "disk": disk},
        "blocks": blocks(),
        "refused": refusals(others),
        "partitioned": {name: partitioned(f"/dev/{name}") for name in disks},
        "smart": {name: ran("smartctl", "-i", f"/dev/{name}") for name in disks},
        "blocks after": blocks(),
        "efi": Path("/sys/firmware/efi").is_dir(),
        "variables": variables(),
        "secure boot": secure_boot(),
        "lockdown": read("/sys/kernel/security/lockdown"),
        "mounts": read("/proc/self/mounts"),
        "swaps": read("/proc/swaps").splitlines()[1:],
        "modules": [line.split()[0] for line in read("/proc/modules").splitlines()],
        "dm": ran("modprobe", "dm_mod")["code"],
        "failed": ran("systemctl", "--failed", "--no-legend", "--plain")["out"],
        "running": ran(
            "systemctl", "list-units", "--type=service", "--state=running", "--no-legend", "--plain"
        )["out"],
        "processes": [path.read_text().strip() for path in Path("/proc").glob("[0-9]*/comm")],
        "memory": read("/proc/meminfo"),
        "consoles": ["/dev/tty1", *map(str, Path("/run").glob("probe-on-*"))],
        "image": read("/etc/benchproof-image"),
        "kernel": os.uname().release,
        "agent": agent(),
        "blame": ran("systemd-analyze", "blame")["out"],
    }


def keep(name, found):
    """Write `found` to the stick's reports, mounted for that moment only."""
    mount(f"/dev/{stick_parts()[0]}", "vfat")
    try:
        with open(MNT / "reports" / name, "x") as file:
            json.dump(found, file)
            file.flush()
            os.fsync(file.fileno())
    finally:
        unmount()


def waited(until, seconds=40):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if until():
            return True
        time.sleep(0.2)
    return False


def plugging():
    """The host plugs a drive in, pulls the stick and puts it back, each after the word on the serial port."""
    before = set(blocks())
    say("plug")
    came = waited(lambda: len(set(blocks()) - before) >= 2)
    subprocess.run(["udevadm", "settle"])
    new = {name: ro for name, ro in blocks().items() if name not in before}
    say("pull")
    gone = waited(lambda: not stick_parts())
    say("return")
    back = waited(stick_parts)
    subprocess.run(["udevadm", "settle"])
    return {"came": came, "new": new, "gone": gone, "back": back, "stick": stick_parts(), "blocks": blocks()}


def main():
    if os.ttyname(0) != "/dev/tty1":
        Path(f"/run/probe-on{os.ttyname(0).replace('/', '-')}").touch()
        time.sleep(3600)
    say("started")
    found = facts()
    say("found")
    keep("facts.json", found)
    say("kept")
    if "probe.plug" in COMMAND_LINE:
        keep("plugging.json", plugging())
    say("off")
    subprocess.run(["systemctl", "poweroff"])
    time.sleep(60)


main()
