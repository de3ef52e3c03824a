"""Chains: each record says where it stands and what came before, so that a gap shows.

An ordered chain verifies when
 1  there is a record in it
 2  the first stands at position 0, has nothing before it, and is an `opened` record
 3  all bear the same chain id, and it is made of the credential they carry
 4  positions count up by one: a missing record leaves a gap, two of one position are a fork, one that
    goes back is out of order
 5  each but the first bears the digest of the record before it, proof included

Whether each record was signed as it should be is `reports.verify`. What no chain shows: records
removed from its end, or a stick set back. That takes a head that someone else holds.
"""

from __future__ import annotations

import itertools
import secrets
from collections.abc import Mapping, Sequence
from typing import Any

from reports import canonical
from reports.errors import VerificationError, shown
from reports.model.record import Position, RecordType

_RANDOM_BYTES = 16
_CREDENTIAL_DIGITS = 32  # 128 bits: who wants another credential under the same id has to find one


class ChainEmpty(VerificationError):
    """1: no record, so nothing is proven."""

    reference = "chain-empty"


class ChainNotOpened(VerificationError):
    """2: the beginning is missing."""

    reference = "chain-not-opened"


class ChainMixed(VerificationError):
    """3: records of another chain, or of another credential than the chain's."""

    reference = "chain-mixed"


class ChainGap(VerificationError):
    """4: a record is missing."""

    reference = "chain-gap"


class ChainFork(VerificationError):
    """4: two records claim one place."""

    reference = "chain-fork"


class ChainOutOfOrder(VerificationError):
    """4: a record stands before one that it follows."""

    reference = "chain-order"


class ChainBroken(VerificationError):
    """5: the record before is not the one that this one followed."""

    reference = "chain-broken"


def digest(record: Mapping[str, Any]) -> str:
    """`sha256:<hex>` over the canonical JSON of the whole record, its proof included."""
    return canonical.digest(dict(record))


def follow(previous: Mapping[str, Any] | None, credential: Mapping[str, Any]) -> Position:
    """Where the record after `previous` stands; with None, where a new chain of `credential` begins.

    Raises ChainMixed where `previous` is of another credential's chain: a new credential begins a new
    chain.
    """
    if previous is None:
        return Position(f"{_stem(credential)}-{secrets.token_hex(_RANDOM_BYTES)}", 0, "")
    before = position(previous)
    check_credential(before.chain, credential)
    return Position(before.chain, before.position + 1, digest(previous))


def position(record: Mapping[str, Any]) -> Position:
    """Where `record` says it stands; raises ChainBroken where it does not say."""
    chain = record.get("chain")
    if isinstance(chain, Mapping):
        id, place, previous = chain.get("chain"), chain.get("position"), chain.get("previous")
        if isinstance(id, str) and type(place) is int and place >= 0 and isinstance(previous, str):
            return Position(id, place, previous)
    raise ChainBroken("it does not say where in its chain it stands", hint="ask for the whole record")


def check_credential(chain: str, credential: Mapping[str, Any]) -> None:
    """3: raises ChainMixed unless `chain` is an id made of `credential`."""
    stem, _, random = chain.partition("-")
    if stem != _stem(credential) or len(random) != 2 * _RANDOM_BYTES:
        raise ChainMixed(
            f"the chain {shown(chain)} is not of this credential", why="its id is made of another one"
        )


def verify_chain(records: Sequence[Mapping[str, Any]]) -> tuple[Position, ...]:
    """The positions of `records`, given in order; raises the VerificationError of the first rule broken."""
    if not records:
        raise ChainEmpty("the chain has no record", why="nothing is proven by it")  # 1
    positions = tuple(position(record) for record in records)
    _check_first(records[0], positions[0])
    _check_ids(records, positions)
    for index, (before, later) in enumerate(itertools.pairwise(positions)):
        _check_next(before, later)
        if later.previous != digest(records[index]):  # 5
            raise ChainBroken(
                f"record {later.position} does not follow the record {before.position} given",
                why="one of the two was exchanged",
            )
    return positions


def _stem(credential: Mapping[str, Any]) -> str:
    return canonical.digest(dict(credential)).removeprefix("sha256:")[:_CREDENTIAL_DIGITS]


def _check_first(record: Mapping[str, Any], first: Position) -> None:
    """2"""
    if first.position != 0 or first.previous or record.get("type") != RecordType.OPENED:
        raise ChainNotOpened(
            f"the chain begins with record {first.position}, {shown(str(record.get('type')))}",
            why="a chain begins with an opened record at position 0",
            hint="records before it are missing",
        )


def _check_ids(records: Sequence[Mapping[str, Any]], positions: Sequence[Position]) -> None:
    """3"""
    for record, where in zip(records, positions, strict=True):
        if where.chain != positions[0].chain:
            raise ChainMixed(f"record {where.position} is of the chain {shown(where.chain)}")
        credential = record.get("credential")
        check_credential(where.chain, credential if isinstance(credential, Mapping) else {})


def _check_next(before: Position, later: Position) -> None:
    """4"""
    if later.position == before.position + 1:
        return
    if later.position == before.position:
        raise ChainFork(
            f"two records stand at position {later.position}", why="a stick was copied, or set back"
        )
    if later.position < before.position:
        raise ChainOutOfOrder(f"record {later.position} is given after record {before.position}")
    raise ChainGap(
        f"after record {before.position} comes record {later.position}", why="what lies between was removed"
    )
