"""What the kernel has to give out."""

import psutil
import pytest

from agent.machine.linux import meminfo
from agent.machine.linux.files import Tree
from reports.model.evidence import Reading, Why


def test_the_total_of_this_computer_is_what_psutil_says():
    assert meminfo.total(Tree()) == Reading(psutil.virtual_memory().total, "bytes", "/proc/meminfo")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("MemFree: 1 kB", Why.NOT_THERE),
        ("MemTotal: many kB", Why.NOT_UNDERSTOOD),
        ("MemTotal: 12 MB", Why.NOT_UNDERSTOOD),
    ],
)
def test_a_file_that_does_not_say_gives_a_reason(unit, text, why):
    unit.file("/proc/meminfo", text)

    assert meminfo.total(unit.tree).why is why


def test_a_tree_without_the_file_has_no_total(unit):
    assert meminfo.total(unit.tree).why is Why.NOT_THERE
