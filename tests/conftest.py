"""What every test starts from."""

import signal

import pytest
from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
"""How long an example takes says how busy the machine is, not how good the code is."""


@pytest.fixture(autouse=True)
def signals_are_heard():
    """A test run started in the background or by nohup inherits ignored signals; a bench hears Ctrl-C and a
    terminal that closes."""
    before = {
        signal.SIGINT: signal.signal(signal.SIGINT, signal.default_int_handler),
        signal.SIGHUP: signal.signal(signal.SIGHUP, signal.SIG_DFL),
    }
    yield
    for number, handler in before.items():
        signal.signal(number, handler)
