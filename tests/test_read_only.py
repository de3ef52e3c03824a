"""Nothing writes to the unit: not by construction, and not in a whole run watched from outside.

What may write is a short list, with the reason for each. A module that comes to it has to be added here,
which is when somebody thinks about it.
"""

import ast
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.drives import loop_device, partition, tree_with
from tests.support.tools import need, output

ROOT = Path(__file__).parents[1]

MAY_WRITE = {
    "reports/files.py": "documents of the bench, under new names",
    "agent/running/guard.py": "puts back what a check had changed: fan, backlight; from a closed list",
    "agent/machine/region.py": "its own oom_score_adj, so that the kernel ends it before any other process",
    "agent/cli.py": "the file with a fault of ours; the null device in the place of a closed pipe",
    "agent/running/steady.py": "the null device in the place of a screen that is gone",
    "agent/stick/medium.py": "mounts the stick's data partition; a folder and a lock in /run",
    "agent/stick/keyboard.py": "the lock of the bench in /run",
    "agent/commands/demo.py": "clears what an earlier demonstration made",
    "agent/commands/office.py": "the folder of the archive",
    "agent/reference.py": "the bench reference, and an older one put aside",
    "agent/commands/baseline.py": "the folder of the order's baseline",
    "reports/orders.py": "the folder of new orders",
    "reports/keys.py": "the folder of keys",
}
BUILDER = Path("agent/image")
"""Makes the stick on a build machine, and never lies on the stick."""

MAY_COMMAND_DEVICES = {
    "agent/machine/linux/filming.py": "linuxpy: streams from a camera, puts its format and rate back",
    "agent/machine/linux/v4l2.py": "VIDIOC_QUERYCAP: what a camera can do; nothing is set",
}
MAY_NAME_DEVICES = {
    "agent/machine/linux/graphics_chip.py": "the render node of a chip; EGL opens it to draw off screen",
    "agent/machine/linux/blockread.py": "drives, opened to read: nobody else opens one",
    "agent/stick/medium.py": "the stick's partition, named to mount(2) once it is sure that it is one",
    "agent/machine/linux/kernel_log.py": "the kernel's log, opened to read",
    "agent/machine/linux/v4l2.py": "the node of a camera, opened to read",
    "agent/cli.py": "the last place to name for a fault of ours: standard error",
}
MAY_START_PROGRAMS = {
    "agent/machine/linux/blockread.py": "smartctl and blkid, with fixed arguments that only ask",
    "agent/machine/workers.py": "load and memory workers, this program again",
    "agent/running/guard.py": "the guard, this program again",
    "agent/commands/stick.py": "changes of the stick itself, never of the unit",
}
BUILDS_THE_STICK = "agent/image/"
"""Runs at the office, on a computer that builds sticks, and never on a unit."""
OPENS_TO_WRITE = {"O_WRONLY", "O_RDWR", "O_CREAT", "O_TRUNC", "O_APPEND"}
WRITES = {
    *("write_text", "write_bytes", "unlink", "rename", "mkdir", "makedirs", "rmdir", "touch", "rmtree"),
    *("chmod", "chown", "symlink_to", "hardlink_to", "symlink", "link", "mknod", "mkfifo", "truncate"),
    *("ftruncate", "setxattr", "pwrite", "sendfile", "copy_file_range", "copyfile", "copytree", "move"),
    *("pwritev", "posix_fallocate", "sync", "mount"),
}


def called(node: ast.Call) -> str:
    return getattr(node.func, "attr", getattr(node.func, "id", ""))


def opens_to_write(node: ast.Call) -> bool:
    """An `open` of any sort with a writing mode or flag; `fdopen` opens nothing."""
    names = {inner.attr for inner in ast.walk(node) if isinstance(inner, ast.Attribute)}
    words = [given.value for given in (*node.args, *(k.value for k in node.keywords)) if is_text(given)]
    modes = [word for word in words if re.fullmatch(r"[rwaxbt+]{1,4}", word)]
    return called(node) == "open" and (
        bool(names & OPENS_TO_WRITE) or any(set(m) & set("wax+") for m in modes)
    )


def is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def calls(source: str) -> list[ast.Call]:
    return [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Call)]


def writes(source: str) -> list[str]:
    return [called(call) for call in calls(source) if opens_to_write(call) or called(call) in WRITES]


def commands_devices(source: str) -> list[str]:
    """Calls of ioctl, and imports of the library that makes them."""
    imported = [node.module or "" for node in ast.walk(ast.parse(source)) if isinstance(node, ast.ImportFrom)]
    libraries = [name for name in imported if name.partition(".")[0] == "linuxpy"]
    return [called(call) for call in calls(source) if called(call) == "ioctl"] + libraries


def names_devices(source: str) -> list[str]:
    """Texts that are or begin a path under /dev, where drives lie; neither docstrings nor later parts."""
    tree = ast.parse(source)
    other = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    other |= {
        id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values[1:]
    }
    texts = [node for node in ast.walk(tree) if is_text(node) and id(node) not in other]
    return [node.value for node in texts if re.match("/dev(/|$)", node.value)]


def starts_programs(source: str) -> list[str]:
    return [called(call) for call in calls(source) if _starts(call.func)]


def _starts(function: ast.expr) -> bool:
    if not isinstance(function, ast.Attribute) or not isinstance(function.value, ast.Name):
        return False
    of_os = re.match(r"exec|spawn|posix_spawn|system$|popen$", function.attr)
    return function.value.id == "subprocess" or (function.value.id == "os" and bool(of_os))


def modules() -> dict[str, str]:
    found = {
        str(path.relative_to(ROOT)): path.read_text()
        for package in ("agent", "checks", "reports")
        for path in sorted((ROOT / package).rglob("*.py"))
        if ROOT / BUILDER not in path.parents
    }
    assert len(found) > 50
    return found


def test_the_builder_of_the_stick_is_used_by_nothing_that_runs_on_a_unit():
    assert (ROOT / BUILDER / "disk.py").exists()
    assert [name for name, source in modules().items() if "agent.image" in source] == []


@pytest.mark.parametrize(
    ("seen", "allowed"),
    [
        (writes, MAY_WRITE),
        (commands_devices, MAY_COMMAND_DEVICES),
        (names_devices, MAY_NAME_DEVICES),
        (starts_programs, MAY_START_PROGRAMS),
    ],
    ids=["writes a file", "commands a device", "names a device", "starts a program"],
)
def test_only_the_modules_listed_do(seen, allowed):
    on_the_unit = {n: source for n, source in modules().items() if not n.startswith(BUILDS_THE_STICK)}
    wrong = {
        name: seen(source) for name, source in on_the_unit.items() if name not in allowed and seen(source)
    }

    assert wrong == {}


@pytest.mark.parametrize(
    "source",
    [
        "open('/dev/sda', 'wb')",
        "open(path, mode='r+')",
        "path.open('a')",
        "os.open(path, os.O_RDWR | os.O_NONBLOCK)",
        "os.open(path, flags | os.O_CREAT)",
        "Path('/sys/x').write_text('1')",
        "shutil.rmtree(folder)",
    ],
)
def test_the_test_sees_what_writes(source):
    assert writes(source)


def test_the_test_lets_reading_pass():
    assert not writes("open(path, 'rb'); os.open(path, os.O_RDONLY); path.open(encoding='utf-8')")


@pytest.mark.parametrize("source", ["subprocess.run(['dd'])", "os.execv(path, [])", "os.system('dd')"])
def test_the_test_sees_what_starts_a_program(source):
    assert starts_programs(source)


def test_a_block_device_is_opened_by_one_module_only():
    opens = {
        name: source
        for name, source in modules().items()
        if re.search(r"S_ISBLK|os\.O_DIRECT\b|/dev/(sd|nvme|mmcblk|vd|hd)", source)
        and not name.startswith(BUILDS_THE_STICK)
    }

    assert opens.keys() == {"agent/machine/linux/blockread.py"}


# -- a whole run, watched -------------------------------------------------------------------------------

CHANGES = (
    "open,openat,openat2,creat,unlink,unlinkat,rename,renameat,renameat2,mkdir,mkdirat,rmdir,"
    "link,linkat,symlink,symlinkat,mknod,mknodat,chmod,fchmodat,chown,lchown,fchownat,truncate,"
    "setxattr,lsetxattr,removexattr,mount,umount2,pivot_root,move_mount,fsopen,swapon,swapoff,"
    "reboot,init_module,finit_module,delete_module,iopl,ioperm,quotactl,settimeofday,"
    "clock_settime,adjtimex,sethostname,ioctl"
)
"""Calls that change something, or may; those that a kernel does not have are left out by strace."""

DRIVE_COMMANDS = re.compile(
    r"BLK|SG_|SCSI_|NVME|HDIO|CDROM|FITRIM|FS_IOC_SET|FIFREEZE|MMC_|LOOP_|DM_|MTRR|RTC_SET"
)
READS_OF_DRIVES = re.compile(
    r"BLK(GETSIZE64|GETSIZE|SSZGET|PBSZGET|GETZONESZ|RAGET|ROGET|IOMIN|IOOPT|ALIGNOFF|DISCARDZEROES)|NVME_IOCTL_ID|"
    r"CDROM_(GET_CAPABILITY|LAST_WRITTEN)|FDGETFDCSTAT|FIBMAP|NVME_IOCTL_ADMIN_CMD"
)
"""What blkid and smartctl ask. Which NVMe command it is, strace does not tell: smartctl's own two are seen
in tests/agent/machine/linux/test_smart.py. FIBMAP is how strace names ioctl 1, by which smartctl repeats a
command of SG_IO that a device does not take."""
SCSI_READS = {0x00, 0x12, 0x1A, 0x25, 0x4D, 0x5A, 0x9E, 0xA0}
"""TEST UNIT READY, INQUIRY, MODE SENSE, READ CAPACITY, LOG SENSE, REPORT LUNS (SPC-4, SBC-3)."""
ATA_THROUGH = {0x85: 14, 0xA1: 9}
"""ATA PASS-THROUGH of 16 and of 12 bytes (SAT-3), and where the ATA command stands in each."""
ATA_READS = {0xEC, 0xA1, 0xE5, 0xB0}
"""IDENTIFY DEVICE, IDENTIFY PACKET DEVICE, CHECK POWER MODE, SMART with the features below (ATA8-ACS)."""
SMART_READS = {0xD0, 0xD1, 0xDA}
"""READ DATA, READ THRESHOLDS, RETURN STATUS."""
HARMLESS = re.compile(r"/dev/(null|tty|ptmx|pts/\d+|shm/.*|full|video\d+)|/proc/(self|thread-self|\d+)/.*")
"""A camera's node streams only when open for writing too; nothing is kept, and its format put back."""
LINE = re.compile(r"^\d+ +(?P<call>\w+)\((?P<given>.*?)(\) += .*| <unfinished \.\.\.>)$")


WRITES_OF_DATA = (
    ",write,pwrite64,writev,pwritev,pwritev2,fallocate,ftruncate,sendfile,splice,copy_file_range,"
    "io_uring_setup,io_submit,sync_file_range"
)
"""What else could put bytes onto an open drive."""


def watched(
    folder: Path, *command: str | Path, more: str = ""
) -> tuple[subprocess.CompletedProcess[str], list[str]]:
    """What `command` says and does, every process of it, as strace(1) tells.

    With 2 GiB of addresses for each process: no test takes the memory of the computer that it runs on.
    """
    trace = folder / "trace"
    done = subprocess.run(
        [
            need("prlimit"),
            f"--as={2 << 30}",
            need("strace"),
            "-f",
            "-y",
            "-qq",
            "-s",
            "4096",
            "-e",
            "trace=?" + (CHANGES + more).replace(",", ",?"),
            "-o",
            trace,
            *command,
        ],
        capture_output=True,
        text=True,
        cwd=folder,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1", "HOME": str(folder), "PYTHONPATH": str(ROOT)},
        timeout=120,
    )
    return done, trace.read_text().splitlines()


def harm(lines: list[str], inside: Path) -> list[str]:
    """The lines that change anything outside the folder `inside`, or command a drive."""
    return [
        line
        for line in lines
        if (match := LINE.match(line)) and _harms(match["call"], match["given"], inside)
    ]


def _harms(call: str, given: str, inside: Path) -> bool:
    if call == "ioctl":
        return bool(DRIVE_COMMANDS.search(given)) and not only_asks(given)
    if call.startswith("open") and not re.search(r"O_(WRONLY|RDWR|CREAT|TRUNC|APPEND)", given):
        return False
    beside = re.match(r"(?:AT_FDCWD|\d+)<([^>]*)>", given)
    paths = [
        os.path.normpath(Path(beside[1] if beside else inside) / path)
        for path in re.findall(r'"([^"]*)"', given)
    ]
    return not paths or not all(
        HARMLESS.fullmatch(path) or Path(path).is_relative_to(inside) for path in paths
    )


def only_asks(given: str) -> bool:
    """Whether an ioctl of a drive, as strace prints it, is one of those that change nothing."""
    name = given.split(", ")[1]
    command = re.search(r'(?:cmdp|request)="((?:[^"\\]|\\.)*)"', given)
    if name != "SG_IO" or command is None:
        return bool(READS_OF_DRIVES.fullmatch(name))
    return _reads(command[1].encode().decode("unicode_escape").encode("latin-1"))


def _reads(block: bytes) -> bool:
    """Whether a SCSI command block, or the ATA command in it, only reads."""
    at = ATA_THROUGH.get(block[0])
    if at is None:
        return block[0] in SCSI_READS
    command, feature = block[at], block[4 if at == 14 else 3]
    return command in ATA_READS and (command != 0xB0 or feature in SMART_READS)


@pytest.mark.parametrize(
    ("block", "reads"),
    [
        ("12 00 00 00 24 00", True),
        ("85 06 2c 00 00 00 00 00 00 00 00 00 00 00 e5 00", True),
        ("85 08 0e 00 d0 00 01 00 00 00 4f 00 c2 00 b0 00", True),
        ("85 08 0e 00 d4 00 01 00 00 00 4f 00 c2 00 b0 00", False),  # EXECUTE OFF-LINE IMMEDIATE
        ("85 06 20 00 d8 00 00 00 00 00 4f 00 c2 00 b0 00", False),  # ENABLE OPERATIONS
        ("85 06 20 00 00 00 00 00 00 00 00 00 00 00 e0 00", False),  # STANDBY IMMEDIATE
        ("2a 00 00 00 00 00 00 00 08 00", False),  # WRITE (10)
        ("04 00 00 00 00 00", False),  # FORMAT UNIT
    ],
)
def test_the_watch_tells_commands_that_read_from_those_that_do_not(block, reads):
    escaped = "".join(f"\\x{byte:02x}" for byte in bytes.fromhex(block))
    given = f"3</dev/sdx>, SG_IO, {{interface_id='S', dxfer_direction=SG_DXFER_NONE, cmdp=\"{escaped}\"}}"

    assert only_asks(given) is reads


def test_a_whole_run_on_this_computer_changes_nothing_outside_its_folder(tmp_path):
    worked = "memory,storage,wireless,fan,thermal,camera"
    done, lines = watched(
        tmp_path,
        *(sys.executable, "-m", "agent.cli", "run", "--worked", worked, "--form", "laptop"),
        *("--unattended", "--out", tmp_path / "out", "--bench", tmp_path / "bench"),
    )

    assert done.returncode in (0, 1, 3, 5), done.stdout + done.stderr
    assert (tmp_path / "out/report.json").exists()
    assert sum("O_CREAT" in line for line in lines) >= 4
    assert (
        sum(line.split()[0] != lines[0].split()[0] for line in lines) > 100
    )  # the checks' own processes too
    assert harm(lines, tmp_path) == []


def test_drives_are_opened_by_it_to_be_read_only(tmp_path):
    done, lines = watched(
        tmp_path,
        *(sys.executable, "-m", "agent.cli", "run", "--worked", "storage,memory", "--form", "laptop"),
        *("--unattended", "--out", tmp_path / "out", "--bench", tmp_path / "bench"),
    )
    drives = {path.name for path in Path("/sys/class/block").iterdir()}
    opened = [line for line in lines if any(f'"/dev/{name}"' in line for name in drives)]

    assert done.returncode in (0, 1, 3, 5), done.stdout + done.stderr
    assert bool(opened) == bool([name for name in drives if not re.match("loop|ram|zram", name)])
    assert all("O_RDONLY" in line for line in opened if " open" in line)
    assert harm(lines, tmp_path) == []


HARMFUL = {
    "writes elsewhere": "open(elsewhere, 'w')",
    "opens to write what is not there": "os.path.exists('/dev/sdzz') or os.open('/dev/sdzz', os.O_RDWR)",
    "removes": "os.unlink(elsewhere)",
    "renames away": "os.rename('mine', elsewhere)",
    "climbs out": "open('../elsewhere', 'w')",
    "commands a drive": "__import__('fcntl').ioctl(os.open('mine', os.O_RDONLY), 0x1261, 0)",  # BLKFLSBUF
    "mounts": "__import__('ctypes').CDLL(None).mount(b'/dev/sdzz', b'/nowhere', b'vfat', 0, None)",
    "in a child": "os.waitpid(pid, 0) if (pid := os.fork()) else open(elsewhere, 'w')",
}


@pytest.mark.parametrize("deed", HARMFUL)
def test_the_watch_sees_what_harms(deed, tmp_path):
    inside = tmp_path / "inside"
    inside.mkdir()
    (inside / "mine").write_text("")
    (tmp_path / "elsewhere").write_text("")
    script = f"import os\nelsewhere = {str(tmp_path / 'elsewhere')!r}\n{HARMFUL[deed]}"

    _, lines = watched(inside, sys.executable, "-c", script)

    assert harm(lines, inside)


# -- a drive of the unit, one that could be written -----------------------------------------------------

DRIVE_RUN = """
import json, sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from agent.running.isolate import measured_apart
from agent.machine.live import LiveMachine
from agent.planning.mapcheck import generic_map
from agent.planning.plan import make_plan
from agent.running.run import Watcher, perform
from agent.planning.spot import spot_order
from checks.machine import Session
from reports.model.evidence import Absent, Why
from reports.model.order import DriveRead, Form
from reports.model.servicemap import PartKind

class Nobody(Session):
    def ask(self, question):
        return Absent(Why.DID_NOT_ANSWER, "person")
    def tell(self, words, fraction):
        pass

machine = LiveMachine(Path(sys.argv[1]))
order = spot_order(["storage"], Form.LAPTOP, machine, datetime.now(UTC))
order = replace(order, lines=tuple(replace(line, drive_read=DriveRead.WHOLE) for line in order.lines))
plan = make_plan(order, generic_map(Form.LAPTOP))
steps = tuple(step for step in plan.steps if step.check.kind is PartKind.STORAGE)
performed = perform(replace(plan, steps=steps), machine, Nobody(), Watcher(), measured_apart)
print(json.dumps({f.check: [f.judgement.verdict, f.judgement.reason] for f in performed.findings}))
"""


@pytest.fixture
def unit_drive(tmp_path):
    """A drive of 64 MiB that the kernel would write, with a table, two volumes and a tree that shows them."""
    image = tmp_path / "image"
    image.write_bytes(bytes(64 << 20))
    table = "label: gpt\nstart=2048, size=16M, type=uefi\nstart=34816, size=32M\n"
    subprocess.run([need("sfdisk"), "--quiet", image], input=table, text=True, check=True)
    for program, start, size in (("mkfs.vfat", 2048, 16 << 20), ("mkfs.ext4", 34816, 32 << 20)):
        offset = ["--offset", str(start)] if program == "mkfs.vfat" else ["-q", "-E", f"offset={start * 512}"]
        output(need(program), *offset, image, str(size >> 10))
    with (
        loop_device(image, writable=True) as whole,
        loop_device(image, 2048 * 512, 16 << 20, writable=True) as first,
        loop_device(image, 34816 * 512, 32 << 20, writable=True) as second,
    ):
        tree = tree_with(tmp_path / "tree", "sdx", whole)
        partition(tree, "sdx", 1, 2048, first)
        partition(tree, "sdx", 2, 34816, second)
        yield tmp_path / "tree", image, (whole, first, second)


def written(devices: tuple[Path, ...]) -> int:
    """Writes, discards and flushes that the kernel has counted (Documentation/block/stat.rst)."""
    stat = [Path(f"/sys/class/block/{device.name}/stat").read_text().split() for device in devices]
    return sum(int(fields[at]) for fields in stat for at in (4, 11, 15) if at < len(fields))


def read_sectors(device: Path) -> int:
    return int(Path(f"/sys/class/block/{device.name}/stat").read_text().split()[2])


def test_a_drive_that_could_be_written_is_not_in_a_whole_run(unit_drive, tmp_path):
    tree, image, devices = unit_drive
    before, counted, read = image.read_bytes(), written(devices), read_sectors(devices[0])

    done, lines = watched(tmp_path, sys.executable, "-c", DRIVE_RUN, tree, more=WRITES_OF_DATA)

    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["storage.layout"] == ["pass", "something lies where the owner's data should: vfat, ext4"]
    assert [found[f"storage.{it}"][0] for it in ("present", "read", "whole")] == ["pass"] * 3
    assert found["storage.health"][0] == "inconclusive"  # a loop device has none to tell
    assert (
        read_sectors(devices[0]) - read >= 2 * (64 << 20) // 512
    )  # the sample covers all of it, then all of it
    touched = [line for line in lines if f"{tree}/dev/" in line]
    opened = [line for line in touched if " open" in line]
    assert len(opened) > 5
    assert all("O_RDONLY" in line and not re.search("O_RDWR|O_WRONLY|O_CREAT", line) for line in opened)
    calls = [match for line in touched if (match := LINE.match(line))]
    on_drive = [call for call in calls if re.match(rf"\d+<{tree}/dev/", call["given"])]
    assert {call["call"] for call in on_drive} == {"ioctl"}
    assert [call["given"] for call in on_drive if not only_asks(call["given"])] == []
    assert written(devices) == counted
    assert image.read_bytes() == before


def test_the_kernel_counts_a_write_to_it(unit_drive):
    _, _, devices = unit_drive
    counted = written(devices)

    with devices[0].open("r+b", buffering=0) as drive:
        drive.write(bytes(4096))
        os.fsync(drive.fileno())

    assert written(devices) > counted
