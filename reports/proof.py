"""Proofs: one document, one signature, by W3C Data Integrity with the suite `eddsa-jcs-2022`.

VC = Verifiable Credential Data Integrity 1.0; ED = Data Integrity EdDSA Cryptosuites v1.0 (both W3C
Recommendations, 2025-05-15). The code below bears these numbers.

Signing, ED 3.3.1:
 S1  the proof options: type, cryptosuite, created, verificationMethod, proofPurpose
 S2  a document with `@context` lends it to the proof
 S3  proof configuration, ED 3.3.5; transformation, ED 3.3.3; hashing, ED 3.3.4
 S4  proof serialization, ED 3.3.6; `proofValue` is base58btc multibase

Verifying, VC 4 and ED 3.3.2, on the JSON as it was parsed, every member of it:
 V1  a JSON object with exactly one proof, itself an object. The standard also has sets and chains of
     proofs; a record of ours has one signer, so a list (even of one) and `previousProof` are refused
 V2  type `DataIntegrityProof` and cryptosuite `eddsa-jcs-2022`
 V3  proofPurpose `assertionMethod`, the one purpose that a record has
 V4  verificationMethod `did:key:<Multikey>#<Multikey>`, both the same Ed25519 key: nothing is fetched
 V5  `created`, and `expires` where present, are RFC 3339. The standard leaves `created` out where it
     likes; a record without a claimed time cannot be judged, so here it must be there
 V6  proofValue: 64 bytes in base58btc multibase
 V7  a proof with `@context`: the document's begins with the same values, and is replaced by the proof's
 V8  transformation, proof configuration, hashing: SHA-256 of the canonical proof without proofValue,
     then SHA-256 of the canonical document without proof. Members of the proof that are not named here
     are in the first of the two, so they are signed like the rest
 V9  the Ed25519 signature (RFC 8032) over these 64 bytes

A proof that holds says who signed. Whether that key is to be believed is `reports.verify`.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from reports.canonical import Json, canonical
from reports.errors import DocumentError, VerificationError, shown
from reports.multikey import Signer, from_multibase, method, public_key, to_multibase
from reports.utc import read_utc, utc_text

TYPE = "DataIntegrityProof"
SUITE = "eddsa-jcs-2022"
PURPOSE = "assertionMethod"
_METHOD = re.compile(r"did:key:(z[1-9A-HJ-NP-Za-km-z]+)#\1")
_SIGNATURE_BYTES = 64


class NotADocument(VerificationError):
    """V1: what should be a signed document is no JSON object, or holds what cannot be signed."""

    reference = "not-a-document"


class ProofMissing(VerificationError):
    """V1: nobody signed it."""

    reference = "proof-missing"


class ProofNotSingle(VerificationError):
    """V1: several proofs, a list, or a chain of proofs."""

    reference = "proof-not-single"


class UnknownSuite(VerificationError):
    """V2: a proof of a type or suite that this program does not know."""

    reference = "proof-suite"


class WrongPurpose(VerificationError):
    """V3: signed for another purpose than to vouch for a record."""

    reference = "proof-purpose"


class MethodNotUnderstood(VerificationError):
    """V4: the proof does not name its key as we need it."""

    reference = "proof-method"


class ProofTimeMalformed(VerificationError):
    """V5: no claimed time, or none that can be read."""

    reference = "proof-created"


class ProofValueMalformed(VerificationError):
    """V6: no signature in it."""

    reference = "proof-value"


class ContextDiffers(VerificationError):
    """V7: the proof was made for a document with another `@context`."""

    reference = "proof-context"


class SignatureWrong(VerificationError):
    """V9: the document, the proof or the key is not the one that was signed."""

    reference = "signature-wrong"


@dataclass(frozen=True, slots=True)
class Proof:
    """A proof whose signature holds: the signing key and the times it claims, UTC."""

    multikey: str
    created: datetime
    expires: datetime | None


def sign(document: Mapping[str, Any], signer: Signer, created: datetime) -> dict[str, Any]:
    """`document` with a proof by `signer`, claimed to be made at `created`.

    Raises ValueError where it has a proof already, DocumentError where it has no canonical form.
    """
    if "proof" in document:
        raise ValueError("the document has a proof already")
    unsecured = dict(document)
    # S1
    proof = {
        "type": TYPE,
        "cryptosuite": SUITE,
        "created": utc_text(created),
        "verificationMethod": method(signer.multikey),
        "proofPurpose": PURPOSE,
    }
    # S2
    if "@context" in unsecured:
        proof["@context"] = unsecured["@context"]
    # S3, S4
    signature = signer.sign(hash_data(unsecured, proof))
    return unsecured | {"proof": proof | {"proofValue": to_multibase(signature)}}


def check_proof(raw: Json) -> str:
    """The Multikey that signed `raw`; raises the VerificationError of the first clause it breaks."""
    return checked_proof(raw).multikey


def checked_proof(raw: Json) -> Proof:
    """The proof of `raw`, when its signature holds; raises as `check_proof`."""
    document, proof = _single_proof(raw)
    _check_suite(proof)
    _check_purpose(proof)
    key = _key(proof)
    created, expires = _time(proof, "created"), _time(proof, "expires") if "expires" in proof else None
    signature = _signature(proof)
    unsecured = _with_context_of(proof, document)
    _check_signature(unsecured, proof, key, signature)
    return Proof(key, created, expires)


def hash_data(unsecured: Mapping[str, Any], proof_config: Mapping[str, Any]) -> bytes:
    """V8: the 64 bytes that are signed; the hash of the proof configuration comes first (ED 3.3.4)."""
    return b"".join(hashlib.sha256(canonical(dict(part))).digest() for part in (proof_config, unsecured))


def _single_proof(raw: Json) -> tuple[dict[str, Json], dict[str, Json]]:
    """V1: the document without its proof, and the proof."""
    if not isinstance(raw, dict):
        raise NotADocument("not a JSON object", why="a signed document is one object", hint="check the file")
    proof = raw.get("proof")
    if proof is None or proof == []:
        raise ProofMissing("it has no proof", why="nobody signed it", hint="ask for the signed file")
    if isinstance(proof, list):
        raise ProofNotSingle(
            f"its proof is a list of {len(proof)}",
            why="a record has one signer, and which of several is meant cannot be told",
        )
    if not isinstance(proof, dict):
        raise ProofMissing("its proof is no JSON object", why="nobody signed it")
    if "previousProof" in proof:
        raise ProofNotSingle("its proof continues another one", why="a record has exactly one proof")
    return {member: value for member, value in raw.items() if member != "proof"}, proof


def _check_suite(proof: Mapping[str, Json]) -> None:
    """V2"""
    for member, known in (("type", TYPE), ("cryptosuite", SUITE)):
        if proof.get(member) != known:
            found = shown(repr(proof.get(member)))
            raise UnknownSuite(
                f"the {member} of its proof is {found}",
                why=f"this program knows {known} only",
                hint="a newer version may know more",
            )


def _check_purpose(proof: Mapping[str, Json]) -> None:
    """V3"""
    if proof.get("proofPurpose") != PURPOSE:
        found = shown(repr(proof.get("proofPurpose")))
        raise WrongPurpose(f"its proof was made for {found}", why=f"a record is signed for {PURPOSE}")


def _key(proof: Mapping[str, Json]) -> str:
    """V4"""
    named = proof.get("verificationMethod")
    match = _METHOD.fullmatch(named) if isinstance(named, str) else None
    if match is None:
        raise MethodNotUnderstood(
            f"the key of its proof is named {shown(repr(named))}", why="only did:key:<key>#<key> is read"
        )
    try:
        public_key(match[1])
    except DocumentError as error:
        raise MethodNotUnderstood("its proof names a key that is not Ed25519") from error
    return match[1]


def _time(proof: Mapping[str, Json], member: str) -> datetime:
    """V5"""
    try:
        return read_utc(proof.get(member))
    except ValueError as error:
        found = shown(repr(proof.get(member)))
        raise ProofTimeMalformed(
            f"the time `{member}` of its proof is {found}", why="a time in UTC, RFC 3339, is needed"
        ) from error


def _signature(proof: Mapping[str, Json]) -> bytes:
    """V6"""
    value = proof.get("proofValue")
    try:
        signature = from_multibase(value) if isinstance(value, str) else b""
    except ValueError as error:
        raise ProofValueMalformed("its signature is not base58btc text") from error
    if len(signature) != _SIGNATURE_BYTES:
        raise ProofValueMalformed(f"its signature has {len(signature)} bytes", why="Ed25519 has 64")
    return signature


def _with_context_of(proof: Mapping[str, Json], document: dict[str, Json]) -> dict[str, Json]:
    """V7: more values after the proof's own are allowed, and unsigned, as ED 3.3.2 step 4 has it."""
    if "@context" not in proof:
        return document
    asked, present = _listed(proof["@context"]), _listed(document.get("@context"))
    # compared as canonical text: Python takes true for 1
    if "@context" not in document or not _starts_with(present, asked):
        raise ContextDiffers("its @context is not the one that was signed")
    return document | {"@context": proof["@context"]}


def _listed(context: Json) -> list[Json]:
    return context if isinstance(context, list) else [context]


def _starts_with(values: list[Json], beginning: list[Json]) -> bool:
    try:
        return canonical(values[: len(beginning)]) == canonical(beginning)
    except DocumentError:
        return False


def _check_signature(
    unsecured: Mapping[str, Json], proof: Mapping[str, Json], key: str, signature: bytes
) -> None:
    """V8, V9"""
    config = {member: value for member, value in proof.items() if member != "proofValue"}
    try:
        data = hash_data(unsecured, config)
    except DocumentError as error:
        raise NotADocument(f"it cannot have been signed: {error.faults[0]}") from error
    try:
        Ed25519PublicKey.from_public_bytes(public_key(key)).verify(signature, data)
    except (InvalidSignature, ValueError) as error:
        raise SignatureWrong(
            "the signature does not fit",
            why="something was changed after signing, or another key signed",
            hint="ask for the file again from where it was made",
        ) from error
