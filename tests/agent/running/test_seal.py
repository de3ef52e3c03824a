"""The bench key asks for its passphrase at each signature; no report is lost over a slip of the fingers."""

import getpass
from datetime import UTC, datetime

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from agent.running.seal import KeyFileSeal, passphrase_source
from reports import keyfile
from reports.errors import DocumentError
from reports.keyfile import WrongPassphrase
from reports.multikey import Role

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
RIGHT = "boke tufo rene gepu kodo vesu"
WRONG = "boke tufo rene gepu kodo"


class Clock:
    def utc(self):
        return NOW


@pytest.fixture(scope="module")
def key_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("keys") / "bench.key.json"
    private = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
    keyfile.write_key(path, private, Role.BENCH, "bench 3", RIGHT, NOW)
    return path


def seal(key_file, *words, typed=True):
    """A seal that is given these passphrases, one after the other; `left` are those not asked for."""
    left = list(words)
    return KeyFileSeal(key_file, {}, lambda: left.pop(0), typed=typed), left


def test_before_the_first_signature_three_wrong_passphrases_end_it(key_file):
    bench, left = seal(key_file, WRONG, WRONG, WRONG, RIGHT)

    with pytest.raises(WrongPassphrase):
        bench.sign({}, Clock())
    assert left == [RIGHT]


def test_at_the_end_of_a_run_it_is_asked_until_it_is_right(key_file):
    bench, left = seal(key_file, RIGHT, *[WRONG] * 4, RIGHT)
    bench.sign({"type": "opened"}, Clock())

    assert bench.sign({"type": "attempt"}, Clock())["proof"]
    assert left == []


def test_a_file_that_changed_its_mind_is_not_asked_for_ever(key_file):
    bench, left = seal(key_file, RIGHT, *[WRONG] * 4, typed=False)
    bench.sign({}, Clock())

    with pytest.raises(WrongPassphrase):
        bench.sign({}, Clock())
    assert left == [WRONG]


def test_typing_nothing_at_all_gives_up_in_one_sentence(key_file, monkeypatch):
    def end_of_input(prompt):
        raise EOFError

    monkeypatch.setattr(getpass, "getpass", end_of_input)
    bench = KeyFileSeal(key_file, {}, passphrase_source(None), typed=True)

    with pytest.raises(DocumentError, match="no passphrase was typed"):
        bench.sign({}, Clock())
