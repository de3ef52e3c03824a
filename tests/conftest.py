"""What every test starts from."""

import signal

import pytest


@pytest.fixture(autouse=True)
def ctrl_c_is_heard():
    """A test run started in the background inherits an ignored SIGINT; a bench hears Ctrl-C."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
