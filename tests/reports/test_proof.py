"""Proofs: eddsa-jcs-2022 against published values, other people's software, and every single change."""

import copy
import csv
import json
from datetime import UTC, datetime
from pathlib import Path

import cryptography_vectors
import nacl.exceptions
import nacl.signing
import pytest
from apsig.proof.verify import ProofVerifier
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import given, settings
from hypothesis import strategies as st

from reports import proof
from reports.canonical import canonical
from reports.errors import DocumentError, VerificationError
from reports.multikey import Role, Signer, from_multibase, multikey, public_key, to_multibase

VECTORS = Path(__file__).parents[1] / "vectors" / "proofs"
W3C = json.loads((VECTORS / "eddsa-jcs-2022-w3c.json").read_text())
OWN = json.loads((VECTORS / "eddsa-jcs-2022-own.json").read_text())
RFC8032 = list(csv.DictReader((VECTORS / "ed25519-rfc8032.csv").read_text().splitlines()))
MULTIBASE = list(csv.DictReader((VECTORS / "base58btc-multikey.csv").read_text().splitlines()))
NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)


def signer(seed_hex: str = RFC8032[0]["seed_hex"]) -> Signer:
    return Signer(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(seed_hex)), Role.BENCH)


def record() -> dict:
    """A document with what a record is built of: nesting, numbers of every kind, empty things."""
    return {
        "schema": "benchproof/record/1",
        "counts": [0, 1, -1, 2**53 - 1],
        "rises": [30.25, -0.0, 1e-7, 1e21],
        "said": {"question": "Luft am Gitter? µ €", "words": "", "people": []},
        "flags": [True, False, None, {}],
        "series": [[41.5, None], [42.0]],
    }


SIGNED = proof.sign(record(), signer(), NOW)


# -- published values --------------------------------------------------------------------------


@pytest.mark.parametrize("row", RFC8032, ids=lambda row: row["name"])
def test_signatures_are_those_of_the_standard(row):
    key, message = signer(row["seed_hex"]), bytes.fromhex(row["message_hex"])

    assert public_key(key.multikey).hex() == row["public_hex"]
    assert key.sign(message).hex() == row["signature_hex"]


def test_all_1024_published_signatures_come_out_of_our_signer_and_of_a_second_library():
    # `sign.input` of the Ed25519 authors, as cryptography_vectors carries it: seed+public:public:msg:sig+msg
    with cryptography_vectors.open_vector_file("asymmetric/Ed25519/sign.input", "r") as file:
        lines = file.read().split()
    assert len(lines) == 1024
    for line in lines:
        secret, public, message_hex, signed, _ = line.split(":")
        message, signature = bytes.fromhex(message_hex), bytes.fromhex(signed)[:64]
        assert signer(secret[:64]).sign(message) == signature
        nacl.signing.VerifyKey(bytes.fromhex(public)).verify(message, signature)


@pytest.mark.parametrize("row", MULTIBASE, ids=lambda row: row["what"])
def test_base58_and_multikeys_go_both_ways(row):
    assert to_multibase(bytes.fromhex(row["hex"])) == row["multibase"]
    assert from_multibase(row["multibase"]).hex() == row["hex"]


def test_the_w3c_vector_holds_at_every_intermediate_step():
    config, unsigned = W3C["proofConfig"], W3C["unsigned"]
    signature = signer(W3C["secretSeedHex"]).sign(proof.hash_data(unsigned, config))

    assert canonical(unsigned).decode() == W3C["canonicalDocument"]
    assert canonical(config).decode() == W3C["canonicalProofConfig"]
    assert proof.hash_data(unsigned, config).hex() == W3C["combinedHashHex"]
    assert W3C["combinedHashHex"] == W3C["proofConfigHashHex"] + W3C["documentHashHex"]
    assert signature.hex() == W3C["signatureHex"]
    assert to_multibase(signature) == W3C["proofValue"]
    assert multikey(bytes.fromhex(W3C["publicKeyHex"])) == W3C["publicKeyMultibase"]


def test_the_w3c_document_verifies_and_signing_it_again_gives_it_again():
    claimed = datetime(2023, 2, 24, 23, 36, 38, tzinfo=UTC)

    assert proof.check_proof(W3C["signed"]) == W3C["publicKeyMultibase"]
    assert proof.sign(W3C["unsigned"], signer(W3C["secretSeedHex"]), claimed) == W3C["signed"]


@pytest.mark.parametrize("name", ["plain", "with_context"])
def test_our_sample_documents_come_out_to_the_byte(name):
    expected = OWN[name]
    unsigned = {member: value for member, value in expected.items() if member != "proof"}
    claimed = datetime(2025, 1, 15, 9, 30, tzinfo=UTC)

    assert proof.sign(unsigned, signer(), claimed)["proof"] == expected["proof"]
    assert proof.check_proof(expected) == signer().multikey


# -- other people's software -------------------------------------------------------------------


def independent(document: dict) -> str | None:
    """What the verifier of another project says: the verification method, None where it refuses."""
    # it takes members out of the dictionary that it is given
    return ProofVerifier(signer().multikey).verify_proof(copy.deepcopy(document))


def test_an_independent_verifier_accepts_what_we_sign():
    assert independent(SIGNED) == SIGNED["proof"]["verificationMethod"]


@pytest.mark.parametrize("member", [member for member in SIGNED if member != "proof"])
def test_an_independent_verifier_refuses_what_was_changed(member):
    assert independent(SIGNED | {member: "changed"}) is None


def test_a_second_library_verifies_our_signature_over_the_same_bytes():
    config = {member: value for member, value in SIGNED["proof"].items() if member != "proofValue"}
    key = nacl.signing.VerifyKey(public_key(signer().multikey))
    data, signature = proof.hash_data(record(), config), from_multibase(SIGNED["proof"]["proofValue"])

    assert key.verify(data, signature) == data
    with pytest.raises(nacl.exceptions.BadSignatureError):
        key.verify(data[::-1], signature)


# -- every single change -----------------------------------------------------------------------


def changes(value):
    """Every document that differs from `value` in one value, one member or the order of one list."""
    if isinstance(value, dict):
        yield from member_changes(value)
    elif isinstance(value, list):
        yield from list_changes(value)
    yield from (other for other in others(value))


def member_changes(value):
    for name in value:
        rest = {key: kept for key, kept in value.items() if key != name}
        yield rest
        yield rest | {name + "x": value[name]}
        yield from (value | {name: changed} for changed in changes(value[name]))
    yield value | {"another": None}


def list_changes(value):
    for index in range(len(value)):
        yield value[:index] + value[index + 1 :]
        yield from ([*value[:index], changed, *value[index + 1 :]] for changed in changes(value[index]))
    yield [*value, None]
    if value != value[::-1]:
        yield value[::-1]
    yield from (
        [*value[:index], value[index + 1], value[index], *value[index + 2 :]]
        for index in range(len(value) - 1)
        if canonical(value[index]) != canonical(value[index + 1])
    )


def others(value):
    """Other values in the place of `value`: near ones and ones of another type."""
    near = {str: lambda: value + "x", bool: lambda: not value}
    yield near.get(type(value), lambda: "x")()
    if isinstance(value, int | float) and not isinstance(value, bool):
        yield value - 1 if value - 1 != value else -value
    for other in (None, True, 0, "", [], {}):
        if canonical(other) != canonical(value):
            yield other


def refused(document) -> bool:
    try:
        proof.check_proof(document)
    except VerificationError:
        return True
    return False


def test_every_single_change_of_a_record_or_its_proof_is_refused():
    changed = [document for document in changes(SIGNED) if document != []]

    assert len(changed) > 300
    assert [document for document in changed if not refused(document)] == []


scalars = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
)
documents = st.dictionaries(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=6).filter(
        lambda n: n not in ("proof", "@context")
    ),
    st.recursive(
        scalars,
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(st.text("abc", max_size=3), inner, max_size=3)
        ),
        max_leaves=8,
    ),
    max_size=3,
)


@settings(max_examples=40, deadline=None)
@given(documents)
def test_every_single_change_of_any_document_is_refused(document):
    signed = proof.sign(document, signer(), NOW)

    assert proof.check_proof(signed) == signer().multikey
    assert [changed for changed in changes(signed) if not refused(changed)] == []


def respelled(value, draw) -> str:
    """The same JSON in other letters: white space, member order, escapes, other forms of one number."""
    space = draw(st.sampled_from(["", " ", "\n\t"]))
    if isinstance(value, dict):
        members = draw(st.permutations(list(value)))
        inner = ",".join(f"{respelled(name, draw)}:{space}{respelled(value[name], draw)}" for name in members)
        return f"{{{space}{inner}}}"
    if isinstance(value, list):
        return f"[{f',{space}'.join(respelled(item, draw) for item in value)}{space}]"
    if isinstance(value, str) and draw(st.booleans()):
        units = value.encode("utf-16-be")
        return '"' + "".join(f"\\u{units[at]:02x}{units[at + 1]:02X}" for at in range(0, len(units), 2)) + '"'
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=draw(st.booleans()))
    if isinstance(value, int) and not isinstance(value, bool) and draw(st.booleans()):
        return draw(st.sampled_from([f"{value}.0", f"{value}0e-1", f"{value}E0"]))
    return json.dumps(value)


@settings(max_examples=60, deadline=None)
@given(documents, st.data())
def test_spelling_the_same_json_otherwise_still_verifies(document, data):
    signed = proof.sign(document, signer(), NOW)

    assert proof.check_proof(json.loads(respelled(signed, data.draw))) == signer().multikey


# -- by clause ---------------------------------------------------------------------------------


def with_proof(**members) -> dict:
    """SIGNED with members of its proof changed; None takes one out."""
    changed = SIGNED["proof"] | members
    return SIGNED | {"proof": {name: value for name, value in changed.items() if value is not None}}


def signed_with(**members) -> dict:
    """A record whose proof has these members too, signed with the rest."""
    config = {name: value for name, value in SIGNED["proof"].items() if name != "proofValue"} | members
    value = to_multibase(signer().sign(proof.hash_data(record(), config)))
    return record() | {"proof": config | {"proofValue": value}}


OTHER_KEY = signer(RFC8032[1]["seed_hex"]).multikey


@pytest.mark.parametrize(
    ("document", "error"),
    [
        ("text", proof.NotADocument),
        ([SIGNED], proof.NotADocument),
        (SIGNED | {"counts": 2**53}, proof.NotADocument),
        (SIGNED | {"\ud800": 1}, proof.NotADocument),
        (record(), proof.ProofMissing),
        (SIGNED | {"proof": []}, proof.ProofMissing),
        (SIGNED | {"proof": None}, proof.ProofMissing),
        (SIGNED | {"proof": "z2"}, proof.ProofMissing),
        (SIGNED | {"proof": [SIGNED["proof"]]}, proof.ProofNotSingle),
        (SIGNED | {"proof": [SIGNED["proof"]] * 2}, proof.ProofNotSingle),
        (signed_with(previousProof="urn:uuid:1"), proof.ProofNotSingle),
        (with_proof(type="Ed25519Signature2020"), proof.UnknownSuite),
        (with_proof(cryptosuite="eddsa-rdfc-2022"), proof.UnknownSuite),
        (with_proof(cryptosuite=None), proof.UnknownSuite),
        (with_proof(proofPurpose="authentication"), proof.WrongPurpose),
        (with_proof(proofPurpose=None), proof.WrongPurpose),
        (signed_with(proofPurpose="authentication"), proof.WrongPurpose),
        (with_proof(verificationMethod=None), proof.MethodNotUnderstood),
        (with_proof(verificationMethod=f"did:key:{OTHER_KEY}"), proof.MethodNotUnderstood),
        (
            with_proof(verificationMethod=f"did:key:{OTHER_KEY}#{signer().multikey}"),
            proof.MethodNotUnderstood,
        ),
        (with_proof(verificationMethod="did:key:z2NEpo7#z2NEpo7"), proof.MethodNotUnderstood),
        (with_proof(verificationMethod=f"did:key:{'z' * 90000}#{'z' * 90000}"), proof.MethodNotUnderstood),
        (with_proof(verificationMethod="did:web:example.net#1"), proof.MethodNotUnderstood),
        (with_proof(created=None), proof.ProofTimeMalformed),
        (with_proof(created="yesterday"), proof.ProofTimeMalformed),
        (with_proof(created="2026-02-30T00:00:00Z"), proof.ProofTimeMalformed),
        (with_proof(created="0001-01-01T00:00:00+14:00"), proof.ProofTimeMalformed),
        (with_proof(created="2026-03-02T08:00:00"), proof.ProofTimeMalformed),
        (signed_with(expires="soon"), proof.ProofTimeMalformed),
        (with_proof(proofValue=None), proof.ProofValueMalformed),
        (with_proof(proofValue="uAAAA"), proof.ProofValueMalformed),
        (with_proof(proofValue="z0OIl"), proof.ProofValueMalformed),
        (with_proof(proofValue="z2NEpo7"), proof.ProofValueMalformed),
        (with_proof(proofValue="z" + "1" * 100_000), proof.ProofValueMalformed),
        (with_proof(proofValue=SIGNED["proof"]["proofValue"] + "\n"), proof.ProofValueMalformed),
        (with_proof(**{"@context": ["https://example.net/1"]}), proof.ContextDiffers),
        (with_proof(verificationMethod=f"did:key:{OTHER_KEY}#{OTHER_KEY}"), proof.SignatureWrong),
        (with_proof(created="2026-03-02T08:00:01Z"), proof.SignatureWrong),
        (with_proof(nonce="1"), proof.SignatureWrong),
        (SIGNED | {"@context": "https://example.net/1"}, proof.SignatureWrong),
    ],
)
def test_each_broken_clause_has_its_own_error(document, error):
    with pytest.raises(error) as caught:
        proof.check_proof(document)

    assert type(caught.value) is error


def test_members_of_the_proof_that_we_do_not_know_are_signed_with_it():
    document = signed_with(nonce="7", domain="bench")

    assert proof.check_proof(document) == signer().multikey
    assert independent(document) is not None
    assert refused(document | {"proof": document["proof"] | {"nonce": "8"}})


def test_a_context_after_the_signed_ones_is_allowed_as_the_standard_has_it():
    signed = OWN["with_context"]
    longer = signed | {"@context": [*signed["@context"], "https://example.net/more"]}
    first = signed | {"@context": ["https://example.net/more", *signed["@context"]]}

    assert proof.check_proof(longer) == signer().multikey
    assert refused(first)


def test_a_document_is_not_signed_twice():
    with pytest.raises(ValueError, match="proof already"):
        proof.sign(SIGNED, signer(), NOW)


def test_a_document_without_canonical_form_is_not_signed():
    with pytest.raises(DocumentError, match="integers below"):
        proof.sign({"bytes": 2**60}, signer(), NOW)


def test_signing_leaves_the_document_as_it_was():
    document = record()
    proof.sign(document, signer(), NOW)

    assert document == record()
