"""Chains: a record taken out, put elsewhere, exchanged or doubled shows."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports import chain
from reports.errors import VerificationError
from reports.model.record import Position, RecordType

CREDENTIAL = {"schema": "benchproof/credential/1", "name": "bench 3"}
OTHER = CREDENTIAL | {"name": "bench 4"}
TYPES = [RecordType.OPENED, RecordType.ATTEMPT, RecordType.OPENED, RecordType.ATTEMPT, RecordType.HAND_BACK]


def record(previous=None, type=RecordType.OPENED, credential=CREDENTIAL):
    where = chain.follow(previous, credential)
    said = {"chain": where.chain, "position": where.position, "previous": where.previous}
    return {"type": type.value, "chain": said, "credential": credential}


def chained(types=TYPES):
    records = []
    for type in types:
        records.append(record(records[-1] if records else None, type))
    return records


def breaks(records, error):
    with pytest.raises(error) as caught:
        chain.verify_chain(records)
    assert type(caught.value) is error


def test_a_whole_chain_verifies_and_counts_from_zero():
    assert [where.position for where in chain.verify_chain(chained())] == [0, 1, 2, 3, 4]


def test_a_chain_id_is_made_of_the_credential_and_of_chance():
    one, two = chain.follow(None, CREDENTIAL), chain.follow(None, CREDENTIAL)

    assert re.fullmatch(r"[0-9a-f]{32}-[0-9a-f]{32}", one.chain)
    assert one.chain[:32] == two.chain[:32] != chain.follow(None, OTHER).chain[:32]
    assert one.chain != two.chain
    assert (one.position, one.previous) == (0, "")


def test_the_next_record_bears_the_digest_of_the_one_before_proof_included():
    first = record() | {"proof": {"proofValue": "z1"}}

    assert chain.follow(first, CREDENTIAL) == Position(first["chain"]["chain"], 1, chain.digest(first))
    assert chain.digest(first) != chain.digest(first | {"proof": {"proofValue": "z2"}})


def test_a_new_credential_does_not_go_on_with_the_chain_of_the_old_one():
    with pytest.raises(chain.ChainMixed):
        chain.follow(record(), OTHER)


def test_an_empty_chain_proves_nothing():
    breaks([], chain.ChainEmpty)


@pytest.mark.parametrize("removed", [1, 2, 3])
def test_a_record_removed_from_the_middle_leaves_a_gap(removed):
    records = chained()
    del records[removed]

    breaks(records, chain.ChainGap)


def test_a_beginning_removed_shows():
    breaks(chained()[1:], chain.ChainNotOpened)


@pytest.mark.parametrize("type", [type for type in RecordType if type is not RecordType.OPENED])
def test_a_chain_begins_with_an_opened_record(type):
    breaks([record(type=type)], chain.ChainNotOpened)


@pytest.mark.parametrize("said", [{"position": 3}, {"previous": "sha256:00"}])
def test_a_first_record_that_follows_something_is_no_beginning(said):
    first = record()
    first["chain"] |= said

    breaks([first], chain.ChainNotOpened)


def test_two_records_of_one_place_are_a_fork():
    records = chained(TYPES[:2])

    breaks([*records, record(records[0], RecordType.ATTEMPT)], chain.ChainFork)


def test_records_out_of_order_are_said_to_be():
    records = chained()

    breaks([records[0], records[1], records[2], records[1]], chain.ChainOutOfOrder)


def test_a_removed_record_shows_even_when_the_later_ones_are_counted_anew():
    records = chained()
    del records[2]
    for place, item in enumerate(records):
        item["chain"]["position"] = place

    breaks(records, chain.ChainBroken)


def test_an_exchanged_record_breaks_the_chain():
    records = chained()
    records[1] = records[1] | {"verdict": "ready"}

    breaks(records, chain.ChainBroken)


def test_a_record_of_another_chain_of_the_same_stick_shows():
    breaks([chained()[0], chained()[1]], chain.ChainMixed)


def test_a_record_under_another_credential_shows():
    records = chained()
    records[4] = records[4] | {"credential": OTHER}

    breaks(records, chain.ChainMixed)


@pytest.mark.parametrize(
    "said",
    [
        None,
        {},
        "chain",
        {"chain": "x", "position": -1, "previous": ""},
        {"chain": "x", "position": True, "previous": ""},
    ],
)
def test_a_record_that_does_not_say_where_it_stands_is_refused(said):
    breaks([{"type": "opened", "chain": said, "credential": CREDENTIAL}], chain.ChainBroken)


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_only_the_whole_chain_in_order_or_its_beginning_verifies(data):
    records = chained()
    chosen = data.draw(st.lists(st.integers(0, 4), min_size=1, max_size=6))

    if chosen == list(range(len(chosen))):
        assert chain.verify_chain([records[index] for index in chosen])
    else:
        with pytest.raises(VerificationError):
            chain.verify_chain([records[index] for index in chosen])
