"""Full speed by command: upwards only, and put back by the guard."""

from pathlib import Path

import pytest

from agent.machine.linux import hwmon, pwm
from agent.machine.linux.files import Tree
from agent.machine.live import LiveMachine
from checks.machine import NOT_ALLOWED
from reports.model.evidence import Absent, Reading, Why

HOME = "sys/devices/platform/chip.0/hwmon/hwmon3"


@pytest.fixture
def chip(tmp_path: Path) -> Path:
    """A chip with one fan at its own control, as the kernel lays it out."""
    folder = tmp_path / HOME
    folder.mkdir(parents=True)
    files = {"name": "tarnfan", "fan1_input": "1180", "pwm1": "100", "pwm1_enable": "2"}
    for name, text in files.items():
        (folder / name).write_text(text + "\n")
    (tmp_path / "sys/class/hwmon").mkdir(parents=True)
    (tmp_path / "sys/class/hwmon/hwmon3").symlink_to(folder)
    return folder


def tree(chip: Path) -> Tree:
    return Tree(chip.parents[len(Path(HOME).parts) - 1])


def fan(chip: Path) -> hwmon.Channel:
    (found,) = hwmon.fans(tree(chip))
    return found


def said(chip: Path, name: str) -> int:
    return int((chip / name).read_text().split()[0])


def test_full_speed_is_commanded_and_what_was_is_put_back(chip):
    with pwm.full_speed(tree(chip), fan(chip)) as commanded:
        assert (said(chip, "pwm1"), said(chip, "pwm1_enable")) == (255, 1)

    assert commanded == Reading(255, "", "/sys/class/hwmon/hwmon3/pwm1")
    assert (said(chip, "pwm1"), said(chip, "pwm1_enable")) == (100, 2)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("pwm1", "255", "full speed already"),
        ("pwm1_enable", "0", "full speed already"),
        ("pwm1", None, "by no command"),
        ("pwm1_enable", None, "who drives"),
    ],
)
def test_where_no_more_can_be_asked_for_nothing_is_written(chip, name, text, words):
    (chip / name).unlink()
    if text is not None:
        (chip / name).write_text(text)
    before = {path.name: path.read_bytes() for path in chip.iterdir()}

    with pwm.full_speed(tree(chip), fan(chip)) as commanded:
        assert {path.name: path.read_bytes() for path in chip.iterdir()} == before

    assert isinstance(commanded, Absent)
    assert words in commanded.detail


def test_a_control_that_cannot_be_written_is_not_permitted_and_left_alone(chip):
    (chip / "pwm1_enable").rename(chip / "elsewhere")
    (chip / "pwm1_enable").symlink_to(chip / "elsewhere")

    with pwm.full_speed(tree(chip), fan(chip)) as commanded:
        assert said(chip, "pwm1") == 100

    assert commanded.why is Why.NOT_PERMITTED
    assert said(chip, "elsewhere") == 2


def test_the_live_machine_commands_nothing_unless_it_was_allowed(chip):
    id = fan(chip).id
    root = tree(chip).root

    with LiveMachine(root).full_speed(id) as refused:
        assert said(chip, "pwm1") == 100
    with LiveMachine(root, allow_control=True).full_speed(id) as commanded:
        assert said(chip, "pwm1") == 255

    assert refused is NOT_ALLOWED
    assert isinstance(commanded, Reading)
    assert said(chip, "pwm1_enable") == 2
