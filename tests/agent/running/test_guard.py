"""The guard: whatever ends the run, what a check had changed is put back."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from agent.running.guard import NotRestored, Original, UnsafeTarget, checked, guarded

PROJECT = Path(__file__).parents[3]
PWM = "/sys/class/hwmon/hwmon3/pwm1"
MODE = "/sys/class/hwmon/hwmon3/pwm1_enable"
LIGHT = "/sys/class/backlight/panel0/brightness"


@pytest.fixture
def unit(tmp_path):
    """A tree as the kernel lays it out: class folders are links to devices."""
    chip = tmp_path / "sys/devices/platform/chip.0/hwmon/hwmon3"
    panel = tmp_path / "sys/devices/pci0000:00/backlight/panel0"
    for folder, files in ((chip, {"pwm1": "90", "pwm1_enable": "2"}), (panel, {"brightness": "700"})):
        folder.mkdir(parents=True)
        for name, text in files.items():
            (folder / name).write_text(text)
    for name, target in (("hwmon/hwmon3", chip), ("backlight/panel0", panel)):
        (tmp_path / "sys/class" / name).parent.mkdir(parents=True)
        (tmp_path / "sys/class" / name).symlink_to(target)
    return tmp_path


def at(unit, path):
    return unit / path.lstrip("/")


def text(unit, path):
    return at(unit, path).read_text()


def eventually(unit, path, wanted, seconds=10.0):
    until = time.monotonic() + seconds
    while time.monotonic() < until and text(unit, path) != wanted:
        time.sleep(0.02)
    return text(unit, path)


FAN = (Original(PWM, "90"), Original(MODE, "2"))


def spin_up(unit):
    # one digit fewer or more would show what is left of a longer text: a sysfs file has no length
    at(unit, PWM).write_text("99")
    at(unit, MODE).write_text("1")


def test_what_was_changed_is_put_back_at_the_end(unit):
    with guarded(FAN, unit):
        spin_up(unit)

    assert (text(unit, PWM), text(unit, MODE)) == ("90", "2")


def test_and_when_the_check_raises_and_its_error_goes_up(unit):
    def measured():
        with guarded(FAN, unit):
            spin_up(unit)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        measured()

    assert (text(unit, PWM), text(unit, MODE)) == ("90", "2")


MEASURING = f"""
import os, sys, time
sys.path.insert(0, {str(PROJECT)!r})
from pathlib import Path
from agent.running.guard import Original, guarded
root = Path(sys.argv[1])
with guarded([Original({PWM!r}, "90"), Original({MODE!r}, "2")], root):
    (root / {PWM[1:]!r}).write_text("99")
    (root / {MODE[1:]!r}).write_text("1")
    print("changed", flush=True)
    time.sleep(60)
"""

ENDS = {
    "kill -9": lambda run: os.kill(run.pid, signal.SIGKILL),
    "kill -9 of the whole group": lambda run: os.killpg(run.pid, signal.SIGKILL),
    "Ctrl-C": lambda run: os.killpg(run.pid, signal.SIGINT),
    "shutdown": lambda run: os.killpg(run.pid, signal.SIGTERM),
    "terminal closed": lambda run: os.killpg(run.pid, signal.SIGHUP),
    "crash": lambda run: os.kill(run.pid, signal.SIGSEGV),
}


@pytest.mark.parametrize("end", ENDS)
def test_a_run_that_ends_so_leaves_the_fan_as_it_was(end, unit):
    run = subprocess.Popen(
        [sys.executable, "-c", MEASURING, str(unit)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    assert run.stdout.readline() == "changed\n"
    assert (text(unit, PWM), text(unit, MODE)) == ("99", "1")

    ENDS[end](run)
    run.communicate(timeout=20)

    assert (eventually(unit, PWM, "90"), eventually(unit, MODE, "2")) == ("90", "2")


def test_killed_at_the_first_moment_it_has_changed_nothing_or_puts_back(unit):
    for pause_s in (0.0, 0.03, 0.06, 0.09, 0.12, 0.2):
        run = subprocess.Popen([sys.executable, "-c", MEASURING, str(unit)], stdout=subprocess.DEVNULL)
        time.sleep(pause_s)
        run.kill()
        run.wait()

        assert (eventually(unit, PWM, "90"), eventually(unit, MODE, "2")) == ("90", "2")


def guards(process):
    children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    lines = {int(each): Path(f"/proc/{each}/cmdline").read_bytes() for each in children}
    return [child for child, line in lines.items() if b"agent.running.guard" in line]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGTSTP])
def test_a_shutdown_that_reaches_the_guard_first_does_not_end_it(number, unit):
    with subprocess.Popen(
        [sys.executable, "-c", MEASURING, str(unit)], stdout=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout.readline() == "changed\n"
        (guard,) = guards(run.pid)
        os.kill(guard, number)
        time.sleep(0.1)

        run.kill()

        assert (eventually(unit, PWM, "90"), eventually(unit, MODE, "2")) == ("90", "2")


def test_if_the_guard_itself_is_ended_the_check_puts_back(unit):
    with guarded(FAN, unit):
        spin_up(unit)
        (guard,) = guards(os.getpid())
        os.kill(guard, signal.SIGKILL)

    assert (text(unit, PWM), text(unit, MODE)) == ("90", "2")


def test_a_pipe_in_the_place_of_a_setting_is_refused(unit):
    at(unit, MODE).unlink()
    os.mkfifo(at(unit, MODE))  # no plain file: it is refused before anything is changed

    with pytest.raises(RuntimeError, match="pwm1_enable"), guarded(FAN, unit):
        pytest.fail("it opened")

    assert text(unit, PWM) == "90"


def test_the_last_of_two_originals_of_one_file_stands(unit):
    with guarded((Original(LIGHT, "100"), Original(LIGHT, "700")), unit):
        at(unit, LIGHT).write_text("300")

    assert text(unit, LIGHT) == "700"


def test_what_could_not_be_put_back_is_told_and_the_rest_is_put_back(unit):
    def measured():
        with guarded(FAN, unit):
            spin_up(unit)
            at(unit, PWM).unlink()

    with pytest.raises(NotRestored, match=r"pwm1 to 90: No such file") as told:
        measured()

    assert len(told.value.failures) == 1
    assert text(unit, MODE) == "2"


def test_it_is_told_beside_the_error_of_the_check_and_not_instead(unit):
    def measured():
        with guarded(FAN, unit):
            at(unit, PWM).unlink()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt) as stopped:
        measured()

    assert "pwm1 to 90" in stopped.value.__notes__[0]


@pytest.mark.parametrize(
    "path",
    [
        "/dev/sda",
        "/etc/passwd",
        "/sys/class/block/sda/queue/scheduler",
        "/sys/class/hwmon/hwmon3/temp1_crit",
        "/sys/class/hwmon/hwmon3/pwm1/../../../block/sda/uevent",
        "/sys/class/backlight/../../../etc/brightness",
        "/sys/class/backlight/panel0/brightness\n",
        "/sys/power/state",
        "",
    ],
)
def test_nothing_else_is_ever_written(path, unit):
    with pytest.raises(UnsafeTarget), guarded((Original(path, "1"),), unit):
        pytest.fail("it opened")


@pytest.mark.parametrize("words", ["", "auto", "-1", "1; 2", "1\n2", "99999999999", "0x10"])
def test_nothing_but_an_integer_is_ever_written(words, unit):
    with pytest.raises(UnsafeTarget), guarded((Original(LIGHT, words),), unit):
        pytest.fail("it opened")


def test_a_class_folder_that_leads_out_of_sys_is_refused(unit):
    (unit / "etc").mkdir()
    (unit / "etc/brightness").write_text("1")
    (unit / "sys/class/backlight/odd").symlink_to(unit / "etc")

    with pytest.raises(UnsafeTarget, match="out of /sys"):
        checked(Original("/sys/class/backlight/odd/brightness", "1"), unit)


def test_an_attribute_that_is_a_link_is_refused_before_anything_is_changed(unit):
    at(unit, LIGHT).unlink()
    (unit / "elsewhere").write_text("1")
    at(unit, LIGHT).symlink_to(unit / "elsewhere")

    with pytest.raises(RuntimeError, match="brightness"), guarded((Original(LIGHT, "1"),), unit):
        pytest.fail("it opened")


def test_a_setting_that_is_not_there_is_refused_before_anything_is_changed(unit):
    at(unit, MODE).unlink()

    with pytest.raises(RuntimeError, match="pwm1_enable: No such file"), guarded(FAN, unit):
        pytest.fail("it opened")
