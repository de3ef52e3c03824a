"""What every test starts from."""

import signal

import pytest
from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
"""How long an example takes says how busy the machine is, not how good the code is."""


@pytest.fixture(autouse=True)
def ctrl_c_is_heard():
    """A test run started in the background inherits an ignored SIGINT; a bench hears Ctrl-C."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
