"""What runs of this computer in a test have in common."""

import pytest

from checks.machine import ComputeTrial
from reports.model.evidence import Absent, Why


@pytest.fixture
def spared_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """A run in a test does not take the memory of the computer that it runs on."""
    from agent.machine.live import LiveMachine

    spared = Absent(Why.NOT_PERMITTED, "memory", "spared by the test")
    monkeypatch.setattr(LiveMachine, "memory_trial", lambda *asked: spared)
    none = ComputeTrial((), spared, spared)
    monkeypatch.setattr(LiveMachine, "compute_trial", lambda *asked: none)
