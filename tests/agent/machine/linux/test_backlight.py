"""Panel brightness."""

import pytest

from agent.machine.linux import backlight
from reports.model.evidence import Why


def panel(unit, name="tarn_backlight", **files):
    given = {"type": "raw", "brightness": 50, "max_brightness": 200, "bl_power": 0, **files}
    unit.device(f"pci0000:00/0000:00:02.0/backlight/{name}", "backlight", **given)


def test_brightness_is_a_share_of_the_highest_step(unit):
    panel(unit)
    (found,) = backlight.backlights(unit.tree)

    assert (found.brightness.value, found.steps.value, found.lit.value) == (0.25, 200, True)


def test_what_the_hardware_does_is_believed_before_what_it_was_told(unit):
    panel(unit, actual_brightness=100)

    assert backlight.backlights(unit.tree)[0].brightness.value == 0.5


def test_of_two_entries_for_a_panel_the_firmware_is_believed_first(unit):
    panel(unit, "a_raw")
    panel(unit, "b_firmware", type="firmware")

    assert [each.id for each in backlight.backlights(unit.tree)] == ["b_firmware", "a_raw"]


@pytest.mark.parametrize(("now", "most"), [(300, 200), (-1, 200), (0, 0)])
def test_a_step_beyond_the_highest_is_not_understood(unit, now, most):
    panel(unit, brightness=now, max_brightness=most)

    assert backlight.backlights(unit.tree)[0].brightness.why is Why.NOT_UNDERSTOOD


def test_a_panel_without_power_is_not_lit(unit):
    panel(unit, bl_power=4)

    assert backlight.backlights(unit.tree)[0].lit.value is False


def test_no_panel_is_told_from_no_way_to_look(unit):
    assert backlight.backlights(unit.tree).why is Why.NOT_THERE
    unit.place("/sys/class/backlight").mkdir()
    assert backlight.backlights(unit.tree) == ()
