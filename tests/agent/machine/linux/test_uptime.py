"""How long the unit is on."""

import time

import pytest

from agent.machine.linux import uptime
from agent.machine.linux.files import Tree
from reports.model.evidence import Reading, Why


def test_this_computer_is_on_for_as_long_as_its_clock_says():
    here = uptime.seconds(Tree())

    assert isinstance(here, Reading)
    assert here.value == pytest.approx(time.clock_gettime(time.CLOCK_BOOTTIME), abs=5.0)


@pytest.mark.parametrize("text", ["", "soon 3", "12"])
def test_another_text_is_not_understood(unit, text):
    unit.file(uptime.FILE, text)

    assert uptime.seconds(unit.tree).why is Why.NOT_UNDERSTOOD
