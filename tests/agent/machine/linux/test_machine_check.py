"""Machine checks: what the processors raised, and not how often the kernel looked."""

import pytest

from agent.machine.linux import machine_check
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Why

INTERRUPTS = """           CPU0       CPU1
  0:         36          0   IO-APIC   2-edge      timer
TRM:          4          4   Thermal event interrupts
THR:          1          0   Threshold APIC interrupts
DFR:          0          2   Deferred Error APIC interrupts
MCE:          0          1   Machine check exceptions
MCP:         38         38   Machine check polls
ERR:          0
"""


def test_exceptions_thresholds_and_deferred_errors_of_all_processors_are_added(unit):
    unit.file("/proc/interrupts", INTERRUPTS)

    assert machine_check.raised(unit.tree).value == 4


@pytest.mark.parametrize("text", ["", "  0:  36  timer\n", "MCE: many\n"])
def test_a_computer_without_such_lines_does_not_support_it(unit, text):
    unit.file("/proc/interrupts", text)

    assert machine_check.raised(unit.tree).why is Why.NOT_SUPPORTED


def test_without_the_file_it_is_not_there(unit):
    assert machine_check.raised(unit.tree).why is Why.NOT_THERE


def test_this_computer_answers_with_a_number_or_has_no_such_line():
    found = machine_check.raised(Tree())

    assert found.why is Why.NOT_SUPPORTED if isinstance(found, Absent) else found.value >= 0
