"""Keys: made once, kept under a passphrase, unlocked only to sign; damage, slips and hostile files."""

import json
import math
import stat
from datetime import UTC, datetime

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from reports import keyfile, passphrase
from reports.canonical import digest
from reports.credential import (
    CredentialExpired,
    CredentialMalformed,
    CredentialMissing,
    CredentialNotYetValid,
    CredentialUnknown,
    CredentialUnproven,
    WrongRole,
    issue_credential,
    read_credential,
)
from reports.errors import DocumentError
from reports.keys import ClockFarOff, init_keys, throw_away, unlock
from reports.multikey import Role, Signer, fingerprint, multikey, trust_text, trusted_roots
from reports.proof import check_proof, sign

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
WORDS = "boke tufo rene gepu kodo vesu"
SEED = bytes(range(32))


@pytest.fixture(scope="module")
def key_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("keys") / "bench.key.json"
    keyfile.write_key(path, Ed25519PrivateKey.from_private_bytes(SEED), Role.BENCH, "bench 3", WORDS, NOW)
    return path


def altered(key_file, tmp_path, change, *, whole=True):
    """A copy of the key file, changed; `whole`: by somebody who knows about the digest."""
    document = json.loads(key_file.read_text())
    change(document)
    if whole:
        document["digest"] = digest({name: value for name, value in document.items() if name != "digest"})
    path = tmp_path / "changed.key.json"
    path.write_text(json.dumps(document))
    return path


def fails_to_open(path, error, words=WORDS):
    with pytest.raises(error) as caught, unlock(path, words):
        pytest.fail("it opened")
    assert type(caught.value) is error
    return caught.value


# -- key files ---------------------------------------------------------------------------------


def test_an_unlocked_key_signs_and_is_locked_again_afterwards(key_file):
    with unlock(key_file, WORDS) as signer:
        signed = sign({"a": 1}, signer, NOW)
        assert signer.role is Role.BENCH

    assert check_proof(signed) == signer.multikey
    with pytest.raises(ValueError, match="locked again"):
        signer.sign(b"more")


def test_the_key_is_locked_again_when_signing_is_interrupted(key_file):
    with pytest.raises(KeyboardInterrupt), unlock(key_file, WORDS) as signer:
        raise KeyboardInterrupt

    with pytest.raises(ValueError, match="locked again"):
        signer.sign(b"more")


def test_capitals_and_spaces_in_the_passphrase_make_no_difference(key_file):
    with unlock(key_file, f"  {WORDS.upper().replace(' ', '  ')}\n") as signer:
        assert signer.multikey


def test_the_seed_stands_nowhere_in_the_file_and_only_the_owner_reads_it(key_file):
    text = key_file.read_text()

    assert SEED.hex() not in text
    assert stat.S_IMODE(key_file.stat().st_mode) == 0o600


def test_two_files_of_one_key_share_neither_salt_nor_nonce_nor_seal(key_file, tmp_path):
    other = tmp_path / "again.json"
    keyfile.write_key(other, Ed25519PrivateKey.from_private_bytes(SEED), Role.BENCH, "bench 3", WORDS, NOW)
    one, two = json.loads(key_file.read_text()), json.loads(other.read_text())

    assert one["public"] == two["public"]
    assert one["kdf"]["salt"] != two["kdf"]["salt"]
    assert one["aead"]["nonce"] != two["aead"]["nonce"]
    assert one["sealed"] != two["sealed"]


def test_a_key_file_is_never_overwritten(key_file):
    before = key_file.read_bytes()

    with pytest.raises(FileExistsError):
        keyfile.write_key(key_file, Ed25519PrivateKey.generate(), Role.BENCH, "bench 4", WORDS, NOW)
    assert key_file.read_bytes() == before


def test_a_mistyped_word_is_pointed_at_without_showing_it(key_file):
    error = fails_to_open(key_file, keyfile.WrongPassphrase, "boke tufo rene qepu kodo vesu")

    assert "look at word 4" in str(error)
    assert "qepu" not in str(error)


def test_another_passphrase_of_good_words_does_not_open(key_file):
    assert "missing word" in str(fails_to_open(key_file, keyfile.WrongPassphrase, "boke tufo rene gepu kodo"))


def test_an_empty_passphrase_is_refused_before_anything_is_written(tmp_path):
    with pytest.raises(DocumentError, match="empty passphrase"):
        keyfile.write_key(tmp_path / "k", Ed25519PrivateKey.generate(), Role.ROOT, "shop", "  ", NOW)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("content", [b"", b"\x00\xff", b"[]", b'{"schema": "benchproof/key/1"', b"{}"])
def test_a_damaged_file_is_told_from_a_mistyped_passphrase(tmp_path, content):
    path = tmp_path / "damaged.json"
    path.write_bytes(content)

    fails_to_open(path, keyfile.DamagedKeyFile)


def test_every_changed_member_shows_as_damage(key_file, tmp_path):
    for member in json.loads(key_file.read_text()):
        if member != "schema":
            path = altered(
                key_file, tmp_path, lambda it, member=member: it.update({member: "x"}), whole=False
            )
            fails_to_open(path, keyfile.DamagedKeyFile)


def test_a_file_cut_in_half_is_damaged(key_file, tmp_path):
    path = tmp_path / "half.json"
    path.write_bytes(key_file.read_bytes()[:300])

    fails_to_open(path, keyfile.DamagedKeyFile)


@pytest.mark.parametrize(
    "change",
    [
        lambda it: it.update(role="root"),
        lambda it: it.update(name="bench 4"),
        lambda it: it.update(public=multikey(bytes(32))),
        lambda it: it["kdf"].update(iterations=4),
        lambda it: it["kdf"].update(salt="00" * 16),
        lambda it: it["aead"].update(nonce="00" * 12),
        lambda it: it.update(sealed="00" * 48),
        lambda it: it.update(more="x"),
    ],
)
def test_nothing_in_the_file_can_be_exchanged_even_with_its_digest(key_file, tmp_path, change):
    fails_to_open(altered(key_file, tmp_path, change), keyfile.WrongPassphrase)


@pytest.mark.parametrize(
    "cost",
    [
        {"memory_kib": 2**30},  # 1 TiB
        {"memory_kib": 8},
        {"memory_kib": True},
        {"iterations": 10**9},
        {"iterations": 0},
        {"lanes": 10**6},
        {"lanes": "4"},
        {"memory_kib": None},
    ],
)
def test_a_file_that_asks_for_too_much_or_too_little_is_refused_before_it_costs_anything(
    key_file, tmp_path, cost, monkeypatch
):
    monkeypatch.setattr(keyfile, "Argon2id", lambda **_: pytest.fail("the parameters were used"))

    fails_to_open(altered(key_file, tmp_path, lambda it: it["kdf"].update(cost)), keyfile.UnsafeKeyParameters)


def test_a_newer_key_file_says_so(key_file, tmp_path):
    path = altered(key_file, tmp_path, lambda it: it.update(schema="benchproof/key/2"))

    assert "newer program" in str(fails_to_open(path, keyfile.NewerKeyFile))


def test_a_missing_file_and_a_folder_are_one_clear_sentence(tmp_path):
    fails_to_open(tmp_path / "none.json", DocumentError)
    fails_to_open(tmp_path, DocumentError)


def test_what_a_cut_left_behind_does_not_let_others_read_the_next_key(tmp_path):
    left = tmp_path / ".bench.key.json.part"
    left.write_text("half a key")
    left.chmod(0o644)
    path = tmp_path / "bench.key.json"
    keyfile.write_key(path, Ed25519PrivateKey.from_private_bytes(SEED), Role.BENCH, "bench 3", WORDS, NOW)

    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [item.name for item in tmp_path.iterdir()] == ["bench.key.json"]


def test_the_passphrase_key_and_the_seed_are_zeroed_after_use(key_file, monkeypatch):
    held, before = [], []
    wipe = keyfile._wipe
    monkeypatch.setattr(
        keyfile, "_wipe", lambda buffer: (held.append(buffer), before.append(bytes(buffer)), wipe(buffer))
    )

    with unlock(key_file, WORDS):
        assert len(held) == 2
    assert before[1] == SEED
    assert before[0] != bytes(32)
    assert [bytes(buffer) for buffer in held] == [bytes(32), bytes(32)]


# -- passphrases -------------------------------------------------------------------------------

# the letter keys of each row, left to right: common practice, no source
QWERTY = ("qwertyuiop", "asdfghjkl;", "zxcvbnm,./")
QWERTZ = ("qwertzuiop", "asdfghjklö", "yxcvbnm,.-")
AZERTY = ("azertyuiop", "qsdfghjklm", "wxcvbn,;:!")
TURKISH = ("qwertyuıop", "asdfghjklş", "zxcvbnmöç.")


def places(layout):
    return {letter: (row, place) for row, keys in enumerate(layout) for place, letter in enumerate(keys)}


@pytest.mark.parametrize("layout", [QWERTZ, AZERTY, TURKISH])
def test_the_words_are_typed_alike_on_the_common_layouts(layout):
    letters = set("".join(passphrase.WORDS))

    assert {letter: places(layout)[letter] for letter in letters} == {
        letter: places(QWERTY)[letter] for letter in letters
    }


def test_a_passphrase_has_at_least_sixty_bits():
    assert len(set(passphrase.WORDS)) == len(passphrase.WORDS) == 1521
    assert pytest.approx(6 * math.log2(1521)) == passphrase.ENTROPY_BITS
    assert passphrase.ENTROPY_BITS >= 60


def test_new_passphrases_are_six_words_of_the_list_and_never_the_same():
    made = {passphrase.new_passphrase() for _ in range(200)}

    assert len(made) == 200
    assert all(len(words.split()) == 6 and passphrase.slips(words) == () for words in made)


# -- init --------------------------------------------------------------------------------------


def init(folder, **changes):
    said = {"shop": "Lower Mill Workshop", "bench": "bench 3", "root_passphrase": WORDS, "now": NOW}
    return init_keys(folder, **(said | {"bench_passphrase": "vesu kodo gepu rene tufo boke"} | changes))


def test_init_makes_a_bench_that_the_root_certified(tmp_path):
    made = init(tmp_path / "new" / "keys")
    credential = read_credential(json.loads(made.credential.read_text()))

    with (
        unlock(made.bench_key, "vesu kodo gepu rene tufo boke") as bench,
        unlock(made.root_key, WORDS) as root,
    ):
        assert credential.subject == bench.multikey
        assert credential.issuer == root.multikey
        assert (bench.role, root.role) == (Role.BENCH, Role.ROOT)
    assert trusted_roots(str(made.trust)) == {made.root_fingerprint} == {fingerprint(credential.issuer)}
    assert (credential.valid_until - credential.valid_from).days == 90
    assert (credential.role, credential.name, credential.throw_away) == (Role.BENCH, "bench 3", False)


def test_init_overwrites_nothing_and_writes_nothing_beside_it(tmp_path):
    (tmp_path / "trust.txt").write_text("mine")

    with pytest.raises(FileExistsError):
        init(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["trust.txt"]
    assert (tmp_path / "trust.txt").read_text() == "mine"


@pytest.mark.parametrize("year", [1970, 2023, 2100])
def test_a_clock_far_off_makes_no_keys(tmp_path, year):
    with pytest.raises(ClockFarOff, match="set the clock"):
        init(tmp_path / "keys", now=datetime(year, 6, 1, tzinfo=UTC))
    assert not (tmp_path / "keys").exists()


@pytest.mark.parametrize("words", [WORDS, f" {WORDS} ", ""])
def test_the_bench_needs_a_passphrase_of_its_own(tmp_path, words):
    with pytest.raises(DocumentError, match="passphrase"):
        init(tmp_path / "keys", bench_passphrase=words)


# -- fingerprints and trust --------------------------------------------------------------------

RFC8032_TEST_1 = "z6MktwupdmLXVVqTzCw4i46r4uGyosGXRnR3XjN4Zq7oMMsw"
# sha256sum of the 34 bytes ed01d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a
PRINT = "dd93-8e7c-2fa0-20ea-c0f0-2f8b-d441-7b56-edc3-a052-9393-d190-ba57-8d73-c478-0467"


def test_a_fingerprint_is_the_hash_of_the_multikey_bytes_grouped_by_four():
    assert fingerprint(RFC8032_TEST_1) == PRINT


@pytest.mark.parametrize(
    "typed", [PRINT, PRINT.upper(), PRINT.replace("-", " "), PRINT.replace("-", ""), f" {PRINT}\n"]
)
def test_a_fingerprint_is_read_however_it_was_typed(typed):
    assert trusted_roots(typed) == {PRINT}


def test_a_trust_file_may_hold_several_roots_and_words_for_people(tmp_path):
    path = tmp_path / "trust.txt"
    path.write_text(trust_text(RFC8032_TEST_1, "Lower Mill Workshop") + "\n# before 2026:\n" + "ab12 " * 16)

    assert trusted_roots(str(path)) == {PRINT, "-".join(["ab12"] * 16)}


@pytest.mark.parametrize("content", ["", "# nobody\n", "trust everybody\n", PRINT + "\nab12\n", PRINT[:-1]])
def test_a_trust_file_without_a_whole_fingerprint_in_every_line_is_refused(tmp_path, content):
    path = tmp_path / "trust.txt"
    path.write_text(content)

    with pytest.raises(DocumentError):
        trusted_roots(str(path))


@pytest.mark.parametrize("trust", ["nowhere.txt", "ab12-ab12", "\x00", "x" * 5000])
def test_what_is_neither_fingerprint_nor_file_is_refused(trust):
    with pytest.raises(DocumentError, match="neither a fingerprint nor"):
        trusted_roots(trust)


def test_a_shops_name_cannot_write_lines_of_its_own_into_the_trust_file():
    assert len(trust_text(RFC8032_TEST_1, "shop\n" + "ab12" * 16).splitlines()) == 2


# -- credentials -------------------------------------------------------------------------------

ROOT = Signer(Ed25519PrivateKey.from_private_bytes(b"r" * 32), Role.ROOT)
BENCH = Signer(Ed25519PrivateKey.from_private_bytes(b"b" * 32), Role.BENCH)
OFFICE = Signer(Ed25519PrivateKey.from_private_bytes(b"o" * 32), Role.OFFICE)


def issue(root=ROOT, role=Role.BENCH, **changes):
    said = {"name": "bench 3", "subject": BENCH.multikey, "now": NOW} | changes
    return issue_credential(root, role=role, **said)


@pytest.mark.parametrize(("root", "role"), [(BENCH, Role.BENCH), (OFFICE, Role.BENCH), (ROOT, Role.ROOT)])
def test_only_the_root_certifies_and_never_another_root(root, role):
    with pytest.raises(WrongRole):
        issue(root, role)


def test_a_credential_is_valid_from_its_first_to_its_last_second():
    credential = read_credential(issue(days=1))
    credential.check_valid(NOW)
    credential.check_valid(NOW.replace(day=3))

    with pytest.raises(CredentialNotYetValid, match="clock"):
        credential.check_valid(NOW.replace(hour=7, minute=59, second=59))
    with pytest.raises(CredentialExpired, match="certify the bench again"):
        credential.check_valid(NOW.replace(day=3, second=1))


def resigned(**changes):
    bare = {name: value for name, value in issue().items() if name != "proof"} | changes
    return sign(bare, ROOT, NOW)


@pytest.mark.parametrize(
    ("raw", "error"),
    [
        (None, CredentialMissing),
        ([], CredentialMissing),
        ({}, CredentialUnknown),
        (resigned(schema="benchproof/credential/2"), CredentialUnknown),
        (resigned(role="root"), CredentialMalformed),
        (resigned(role="chief"), CredentialMalformed),
        (resigned(name=""), CredentialMalformed),
        (resigned(subject="z6Mk"), CredentialMalformed),
        (resigned(valid_until="2026-03-02T08:00:00Z"), CredentialMalformed),
        (resigned(valid_until="for ever"), CredentialMalformed),
        (resigned(throw_away="no"), CredentialMalformed),
        (issue() | {"name": "bench 4"}, CredentialUnproven),
        ({name: value for name, value in issue().items() if name != "proof"}, CredentialUnproven),
        (resigned(issuer=BENCH.multikey), CredentialUnproven),
    ],
)
def test_each_broken_credential_has_its_own_error(raw, error):
    with pytest.raises(error) as caught:
        read_credential(raw)
    assert type(caught.value) is error


def test_a_throw_away_bench_is_new_each_time_flagged_and_valid_for_a_day():
    one, two = throw_away(NOW), throw_away(NOW)
    credential = read_credential(one.credential)

    assert one.root_multikey != two.root_multikey
    assert credential.throw_away
    assert (credential.subject, credential.issuer) == (one.signer.multikey, one.root_multikey)
    assert (credential.valid_until - credential.valid_from).days == 1
