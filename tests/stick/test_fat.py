"""Reports on a real FAT under the stick's own kernel: power goes, the stick is full, locked or pulled."""

import json
import os
import re
import shutil
import subprocess

import pytest

from agent.stick.copies import take_in
from agent.stick.medium import FolderMedium
from tests.stick.guest import BUILD, running
from tests.stick.writes import after, read_log
from tests.support.bench import DEMO
from tests.support.tools import need

pytestmark = [
    pytest.mark.heavy,
    pytest.mark.xdist_group("fat"),
]

NUMBER = "2a8e7c11-0000-4000-8000-000000000001"
BEGIN, SECTORS = 2048, 81920
"""Of the data partition, in sectors of 512 bytes: 40 MiB, and all but 3 of them are taken."""
TAKEN = 36 << 20

OPENED = json.dumps({"type": "opened", "pad": "o" * 2_000}) + "\n"
REPORT = json.dumps({"type": "attempt", "pad": "r" * 120_000}) + "\n"
PAGE = f"<html>{'p' * 60_000}</html>\n"
LINES = [json.dumps({"at_s": number, "pad": "j" * 300}) + "\n" for number in range(12)]

BENCH = f"""
import errno, os, subprocess
from pathlib import Path
from agent.stick.medium import medium_of_stick, trouble
from agent.stick.copies import Keeper, take_in
subprocess.run(['blockdev', '--setro', '/dev/vda'], check=True)
class Clock:
    def sleep(self, seconds): raise AssertionError('it had to wait: ' + repr(said))
said = []
medium = medium_of_stick()
def tell(error): said.append(trouble(error) if error else 'right again')
def attempt(name):
    global folder
    folder = Path('/run') / name
    folder.mkdir()
    (folder / 'opened.json').write_text({OPENED!r})
    del said[:]
    return Keeper(medium, folder, Clock(), tell)
def finish():
    (folder / 'journal.jsonl').unlink(missing_ok=True)
    (folder / 'report.json').write_text({REPORT!r})
    (folder / 'page.html').write_text({PAGE!r})
def mounted(): return 'vfat' in Path('/proc/mounts').read_text()
result = None
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A guest with a stick: `guest`, `folder`, and `base`, the disk as it was before anything was written."""
    if not (BUILD / "system.tar").exists():
        (pytest.fail if os.environ.get("CI") else pytest.skip)("`make stick` first: its kernel is used")
    folder = tmp_path_factory.mktemp("fat")
    stick = folder / "stick.img"
    with stick.open("wb") as file:
        file.truncate((BEGIN + SECTORS + 4096) * 512)
    table = (
        f"label: gpt\nstart={BEGIN},size={SECTORS},type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7,uuid={NUMBER}\n"
    )
    subprocess.run([need("sfdisk"), "-q", stick], input=table, text=True, check=True)
    part = partition_of(stick.read_bytes(), folder / "part.img")
    subprocess.run([need("mkfs.vfat"), "-F", "32", part], check=True, capture_output=True)
    office(part, folder / "office")
    data = bytearray(stick.read_bytes())
    data[BEGIN * 512 : (BEGIN + SECTORS) * 512] = part.read_bytes()
    stick.write_bytes(data)
    with running(folder, stick, NUMBER) as guest:
        guest.run(BENCH)
        yield guest, folder, bytes(data)


def office(part, folder):
    """What an office put there: orders, maps, and a report of another day without a sum."""
    for name in ("orders", "maps", "keys", "reports/0001-LM-1"):
        (folder / name).mkdir(parents=True)
    shutil.copy(DEMO / "order.json", folder / "orders/LM-2417.json")
    shutil.copy(DEMO / "map.json", folder / "maps/tarnwick-alcove-24.json")
    (folder / "reports/0001-LM-1/report.json").write_text('{"type": "attempt"}\n')
    subprocess.run([need("mcopy"), "-s", "-i", part, *folder.iterdir(), "::/"], check=True)
    with (folder.parent / "taken").open("wb") as file:
        file.truncate(TAKEN)
    subprocess.run([need("mcopy"), "-i", part, folder.parent / "taken", "::/"], check=True)


def partition_of(disk, path):
    path.write_bytes(disk[BEGIN * 512 : (BEGIN + SECTORS) * 512])
    return path


def read_out(part, folder):
    """Every file of the FAT in `part`, as an office computer would copy them."""
    folder.mkdir()
    places = [f"::/{name}" for name in ("orders", "maps", "reports", "keys")]
    subprocess.run([need("mcopy"), "-s", "-n", "-i", part, *places, folder], check=True, capture_output=True)
    return folder


def old_ones(folder):
    return {
        name: (folder / name).read_bytes()
        for name in ("orders/LM-2417.json", "maps/tarnwick-alcove-24.json", "reports/0001-LM-1/report.json")
    }


@pytest.fixture(scope="module")
def written(bench):
    """The writes that one attempt made, in their order, and the disk after all of them."""
    guest, folder, _ = bench
    names = guest.run(
        "keeper = attempt('0002-LM-2417')\nkeeper.opened(None)\n"
        f"for line in {LINES!r}:\n"
        "    with (folder / 'journal.jsonl').open('a') as file: file.write(line)\n"
        "    keeper.copy()\n"
        "finish(); keeper.closed(); keeper.until_safe()\nresult = [keeper.names(), said, mounted()]"
    )
    assert names == [
        [f"reports/0002-LM-2417/{name}" for name in ("opened.json", "report.json", "page.html")],
        [],
        False,
    ]
    return read_log(folder / "writes")


HARMLESS = (
    *("differences between boot sector and its backup", "This is mostly harmless", "65:01/00"),
    *("Not automatically fixing", "FATs differ but appear to be intact", "Using first FAT"),
    *("Reclaimed", "Dirty bit is set", "Automatically removing dirty bit", "Free cluster summary"),
    *(
        "Auto-correcting",
        "Leaving filesystem unchanged",
        "fsck.fat",
        "part.img",
        "Free clusters uninitialized",
    ),
)
"""What a cut may leave for fsck to say (dosfstools): the dirty mark, clusters given to nobody, two copies of
the table of which one is behind. Clusters shared by two files or a broken folder are none of them."""

BEING_WRITTEN = re.compile(
    r"/REPORTS/0002-LM-2417/\S+\n  File size is (\d+) bytes, cluster chain length is > \d+ bytes\.\n"
    r"  Truncating file to \1 bytes\.\n"
)
"""A file of the attempt under way has clusters that its size does not count yet."""


def repaired(part):
    """Have the FAT repaired; everything that fsck found beforehand has to be harmless."""
    said = subprocess.run([need("fsck.vfat"), "-n", part], capture_output=True, text=True).stdout
    said = BEING_WRITTEN.sub("", said)
    odd = [line for line in said.splitlines() if line.strip() and not any(each in line for each in HARMLESS)]
    assert odd == []
    subprocess.run([need("fsck.vfat"), "-a", part], capture_output=True, check=False)
    assert subprocess.run([need("fsck.vfat"), "-n", part], capture_output=True, check=False).returncode == 0


def whole_or_told(found, memory):
    """Which new documents are whole; what lies there and is not has to be told."""
    taken = take_in(FolderMedium(found), memory)
    attempt, told = taken.folder.attempts / "0002-LM-2417", " ".join(taken.left_out)
    states = set()
    for name, text in (("opened.json", OPENED), ("report.json", REPORT)):
        lies_there, whole = (found / "reports/0002-LM-2417" / name).exists(), (attempt / name).exists()
        assert not whole or (attempt / name).read_text() == text
        assert whole or not lies_there or f"{name} is incomplete" in told
        states.add((name, "whole" if whole else "incomplete" if lies_there else "not there"))
    return states


def test_power_that_goes_at_any_write_leaves_the_old_whole_and_the_new_whole_or_told(
    bench, written, tmp_path
):
    _, folder, base = bench
    seen = set()
    for turn in range(21):
        number = len(written) * turn // 20
        here = tmp_path / str(number)
        here.mkdir()
        part = partition_of(after(base, written[:number]), here / "part.img")
        for name in ("as it is", "repaired"):
            if name == "repaired":
                repaired(part)
            found = read_out(part, here / name)
            assert old_ones(found) == old_ones(folder / "office")
            seen |= whole_or_told(found, here / f"{name}, taken in")
        part.unlink()
    assert len(written) > 200
    assert seen >= {("opened.json", "not there"), ("report.json", "incomplete"), ("report.json", "whole")}


def test_whatever_of_the_journal_arrived_says_how_far_the_attempt_came(bench, written, tmp_path):
    _, _, base = bench
    lines = set()
    for number in range(0, len(written), 10):
        part = partition_of(after(base, written[:number]), tmp_path / "part.img")
        found = read_out(part, tmp_path / str(number))
        journal = found / "reports/0002-LM-2417/journal.jsonl"
        if journal.exists():
            assert "".join(LINES).startswith(journal.read_text().rstrip("\0"))
            lines.add(journal.read_text().count("\n"))
        if len(LINES) in lines:
            break
    assert max(lines) == len(LINES)
    assert len(lines) > 5


def test_after_a_whole_attempt_the_file_system_is_clean_and_all_of_it_is_there(bench, written, tmp_path):
    _, _, base = bench
    part = partition_of(after(base, written), tmp_path / "part.img")

    assert subprocess.run([need("fsck.vfat"), "-n", part], capture_output=True, check=False).returncode == 0
    found = read_out(part, tmp_path / "read") / "reports/0002-LM-2417"
    assert sorted(path.name for path in found.iterdir()) == [
        name for each in ("opened.json", "page.html", "report.json") for name in (each, f"{each}.sum")
    ]
    assert (found / "page.html").read_text() == PAGE


def test_reading_the_stick_writes_nothing_to_it(bench, written):
    guest, folder, _ = bench

    left_out = guest.run("result = take_in(medium, Path('/run/read')).left_out")

    assert left_out == []
    assert read_log(folder / "writes") == written
    assert guest.run("result = mounted()") is False


def kept(guest, name):
    """Whether the report of that attempt, read back, is safe; nothing is mounted afterwards."""
    return guest.run(
        f"keeper.until_safe()\nresult = ['reports/{name}/report.json' in keeper.names(), mounted(), said[-1]]"
    ) == [True, False, "right again"]


def test_a_write_protected_stick_is_told_and_takes_the_report_once_it_is_not(bench, written):
    guest, _, _ = bench
    guest.pull()
    guest.put("locked")
    said = guest.run("keeper = attempt('0003-LM-3')\nfinish()\nkeeper.copy(); keeper.copy()\nresult = said")
    guest.pull()
    guest.put()

    assert [words.partition(",")[0] for words in said] == ["the stick is write-protected"]
    assert kept(guest, "0003-LM-3")


def test_a_full_stick_is_told_and_takes_the_report_once_there_is_room(bench, written):
    guest, _, _ = bench
    fill = (
        "with medium.writing() as root:\n"
        "    with suppress(OSError), (root / 'fill').open('wb') as file:\n"
        "        while True: file.write(bytes(1 << 16)); file.flush()\n"
    )
    said = guest.run(
        "from contextlib import suppress\nimport agent.stick.medium\n"
        "agent.stick.medium._SYNC = 0  # to fill it in seconds\n"
        f"{fill}agent.stick.medium._SYNC = 16\n"
        "keeper = attempt('0004-LM-4')\nfinish()\nkeeper.copy(); keeper.copy()\nresult = said"
    )
    guest.run(
        "agent.stick.medium._SYNC = 0\nwith medium.writing() as root: (root / 'fill').unlink()\n"
        "agent.stick.medium._SYNC = 16\nresult = None"
    )

    assert [words.partition(":")[0] for words in said] == ["the stick is full"]
    assert kept(guest, "0004-LM-4")


def test_a_stick_that_is_pulled_and_put_back_takes_what_it_missed(bench, written):
    guest, _, _ = bench
    guest.run("keeper = attempt('0005-LM-5')\nresult = keeper.copy()")
    guest.pull()
    said = guest.run("finish()\nkeeper.copy(); keeper.copy()\nresult = said")
    guest.put()

    assert said == ["the stick is gone: put it back into this unit"]
    assert kept(guest, "0005-LM-5")


def test_a_stick_that_is_pulled_while_it_is_written_to_is_let_go_of(bench, written):
    guest, _, _ = bench
    guest.run("writing = medium.writing()\nroot = writing.__enter__()\nresult = None")
    guest.pull()
    wrote = guest.run(
        "from reports.files import write_in_place\ntry:\n    write_in_place(root / 'late', bytes(100_000))\n"
        "    result = 'it went'\nexcept OSError as error:\n    result = trouble(error)\n"
        "writing.__exit__(None, None, None)\nresult = [result, mounted()]"
    )
    guest.put()

    assert wrote == ["the stick does not answer: pull it and put it back", False]
    guest.run("keeper = attempt('0006-LM-6')\nfinish()\nkeeper.until_safe()\nresult = None")


def test_what_a_killed_process_left_mounted_goes_first(bench, written):
    guest, _, _ = bench

    left = guest.run(
        "import subprocess, sys\n"
        "code = 'import os; from agent.stick.medium import medium_of_stick\\n"
        "with medium_of_stick().writing(): os.kill(os.getpid(), 9)'\n"
        "subprocess.run([sys.executable, '-c', code])\nbefore = mounted()\n"
        "with medium.reading() as root:\n"
        "    result = [before, 'orders' in os.listdir(root), Path('/proc/mounts').read_text().count('vfat')]"
    )

    assert left == [True, True, 1]
    assert guest.run("result = mounted()") is False


def test_nothing_is_mounted_once_a_drive_of_the_unit_could_be_written_to(bench, written):
    guest, folder, _ = bench
    before = len(read_log(folder / "writes"))

    said = guest.run(
        "from reports.errors import DocumentError\n"
        "subprocess.run(['blockdev', '--setrw', '/dev/vda'], check=True)\n"
        "try:\n    with medium.writing(): result = 'mounted'\n"
        "except DocumentError as error:\n    result = str(error)\n"
        "subprocess.run(['blockdev', '--setro', '/dev/vda'], check=True)"
    )

    assert "the drive vda could be written to" in said
    assert len(read_log(folder / "writes")) == before
