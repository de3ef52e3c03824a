"""Verifying a report: what is accepted and what is said of it, and each way to be refused."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from reports import chain, proof, verify
from reports.codec import read_json
from reports.credential import (
    CredentialExpired,
    CredentialMissing,
    CredentialNotYetValid,
    CredentialUnproven,
    WrongRole,
    issue_credential,
)
from reports.keys import throw_away
from reports.model.evidence import Reading
from reports.model.finding import Cannot, Judgement, Verdict, Way, Weight
from reports.model.record import RecordType, Source
from reports.model.verdict import UnitVerdict
from reports.multikey import Role, fingerprint, trust_text
from reports.revocation import RevocationsUnusable, Revoked, issue_revocations
from reports.verify import Outcome
from tests.support.signed import (
    BENCH,
    NOW,
    OFFICE,
    ROOT,
    TRUST,
    credential,
    finding,
    judge,
    opened,
    report,
    signed,
    signed_again,
    signer,
)

LATER = NOW + timedelta(days=2)
GOOD = signed()
STRANGER = signer("root of a stranger", Role.ROOT)


def verified(raw=GOOD, **changes):
    said = {"trust": TRUST, "now": LATER, "rejudge": judge} | changes
    return verify.verify(raw, **said)


def refused(raw, error, **changes):
    with pytest.raises(error) as caught:
        verified(raw, **changes)
    assert type(caught.value) is error
    return caught.value


# -- accepted, and what is said ----------------------------------------------------------------


def test_a_good_report_says_who_signed_under_which_credential_and_what_follows():
    result = verified()

    assert result.type is RecordType.ATTEMPT
    assert (result.multikey, result.fingerprint) == (BENCH.multikey, fingerprint(BENCH.multikey))
    assert (result.credential.role, result.credential.name) == (Role.BENCH, "bench 3")
    assert result.root_fingerprint == TRUST
    assert result.source is Source.LIVE
    assert result.claimed == NOW
    assert result.verdict is UnitVerdict.READY
    assert [(item.finding, item.outcome) for item in result.findings] == [("fan.spin/fan", Outcome.FOLLOWS)]


def test_what_is_not_proven_is_said_in_full():
    result = verified()

    assert verify.TIME_CLAIMED in result.not_proven
    assert verify.REVOCATION_NOT_CHECKED in result.not_proven
    assert verify.WHAT_A_SIGNATURE_PROVES in result.not_proven
    assert verify.NAMES in result.not_proven
    assert verify.FINDINGS_NOT_REPEATED not in result.not_proven
    assert verify.THROWN_AWAY not in result.not_proven


def test_a_report_on_hold_verifies_as_what_it_is():
    result = verified(signed(report(finding(rpm=0.0), finding(part="other-fan"))))

    assert result.verdict is UnitVerdict.HOLD
    assert {item.outcome for item in result.findings} == {Outcome.FOLLOWS}


def test_a_trust_file_serves_like_the_fingerprint_in_it(tmp_path):
    path = tmp_path / "trust.txt"
    path.write_text(trust_text(ROOT.multikey, "Lower Mill Workshop"))

    assert verified(trust=str(path)).root_fingerprint == TRUST


def test_an_opened_record_verifies_too_and_has_no_findings():
    result = verified(opened())

    assert result.type is RecordType.OPENED
    assert (result.findings, result.report, result.verdict) == ((), None, None)


def test_a_report_spelt_otherwise_in_its_file_is_the_same_report(tmp_path):
    path = tmp_path / "report.json"
    path.write_text(json.dumps(GOOD, indent=3, sort_keys=True, ensure_ascii=True))

    assert verified(read_json(path, "report")).verdict is UnitVerdict.READY


def test_a_finding_of_another_judgement_version_cannot_be_repeated_and_is_no_refusal():
    result = verified(signed(report(finding(), finding(part="old-fan", judgement_version=2))))

    assert [item.outcome for item in result.findings] == [Outcome.FOLLOWS, Outcome.CANNOT_REPEAT]


def test_without_a_judge_nothing_is_repeated_and_that_is_said():
    result = verified(rejudge=None)

    assert [item.outcome for item in result.findings] == [Outcome.CANNOT_REPEAT]
    assert verify.FINDINGS_NOT_REPEATED in result.not_proven


# -- throw-away keys ---------------------------------------------------------------------------


def rehearsed(source=Source.REHEARSAL):
    bench = throw_away(NOW)
    raw = signed(report(certified=bench.credential, source=source), by=bench.signer)
    return raw, fingerprint(bench.root_multikey)


@pytest.mark.parametrize("source", list(Source))
def test_under_a_throw_away_key_any_source_verifies_and_is_said_to_name_nobody(source):
    raw, root = rehearsed(source)
    result = verified(raw, trust=root)

    assert result.source is source
    assert result.credential.throw_away
    assert verify.THROWN_AWAY in result.not_proven


def test_a_rehearsal_is_not_trusted_by_a_shop():
    refused(rehearsed()[0], verify.ForeignRoot)


# -- time and revocation -----------------------------------------------------------------------


def revocations(since, subject=BENCH, by=OFFICE, certified=None, **changes):
    listed = [Revoked(subject.multikey, since, "stick lost")]
    return issue_revocations(by, certified or credential(OFFICE, name="office"), listed, LATER) | changes


def test_a_report_signed_after_the_key_was_revoked_is_refused():
    error = refused(GOOD, verify.KeyRevoked, revocations=revocations(NOW))

    assert "stick lost" in str(error)


def test_a_report_that_claims_to_be_older_than_the_revocation_is_accepted_with_a_warning():
    result = verified(revocations=revocations(NOW + timedelta(days=1)))

    assert any("revoked from 2026-03-03" in sentence for sentence in result.not_proven)
    assert verify.REVOCATION_NOT_CHECKED not in result.not_proven


def test_a_list_that_does_not_name_the_key_is_said_to_be_of_its_date():
    result = verified(revocations=revocations(NOW, subject=ROOT))

    assert any("list of 2026-03-04" in sentence for sentence in result.not_proven)


@pytest.mark.parametrize(
    "listed",
    [
        [],
        {"schema": "benchproof/revocations/1"},
        revocations(NOW, revoked=[]),
        signed_again(revocations(NOW), by=BENCH),
        signed_again(revocations(NOW), by=BENCH, credential=credential()),
        signed_again(revocations(NOW), by=OFFICE, revoked=[{"since": "2026-03-02T08:00:00Z"}]),
        signed_again(revocations(NOW), by=OFFICE, credential=credential(OFFICE, STRANGER)),
        signed_again(revocations(NOW), by=OFFICE, issued="2027-01-01T00:00:00Z"),
    ],
)
def test_a_revocation_list_that_does_not_verify_is_an_error_and_not_an_empty_list(listed):
    refused(GOOD, RevocationsUnusable, revocations=listed)


def test_a_report_from_a_clock_that_ran_ahead_is_refused_until_that_time_has_come():
    refused(GOOD, verify.TimeAhead, now=NOW - timedelta(days=1, seconds=1))

    assert verified(now=NOW - timedelta(hours=23))


# -- findings that do not follow ---------------------------------------------------------------


def with_judgement(**changes):
    """A report whose finding says other things than its evidence bears, signed by the bench."""
    plain = finding()
    said = replace(plain, judgement=replace(plain.judgement, **changes))
    return signed(report(said))


PASSED = finding().judgement


@pytest.mark.parametrize(
    "changes",
    [
        {"verdict": Verdict.FAIL},
        {"verdict": Verdict.INCONCLUSIVE, "cannot": Cannot.CANNOT_TELL},
        {"way": Way.OBSERVED},
        {"limit": replace(PASSED.limit, value=500.0)},
        {"limit": None},
        {"measured": None},
        {"measured": Reading(1200.1, "rpm", "hwmon fan1_input")},
        {"measured": Reading(1200.0, "Hz", "hwmon fan1_input")},
        {"measured": Reading(1200.0, "rpm", "hwmon fan2_input")},
        {"measured": Reading("1200", "rpm", "hwmon fan1_input")},
        {"reason": "the fan never fell below 1201 rpm"},
        {"reason": "the fan is as good as new"},
        {"advice": "none needed"},
    ],
)
def test_a_finding_that_says_what_its_evidence_does_not_is_refused(changes):
    error = refused(with_judgement(**changes), verify.FindingDoesNotFollow)

    assert [item.outcome for item in error.verified.findings] == [Outcome.DOES_NOT_FOLLOW]
    assert error.verified.credential.name == "bench 3"
    assert error.why


def test_evidence_exchanged_under_a_kept_verdict_is_refused():
    stopped = replace(finding(rpm=0.0), judgement=finding().judgement)

    error = refused(signed(report(stopped)), verify.FindingDoesNotFollow)
    assert error.why == "signed verdict pass, judged again fail"


def test_a_limit_lowered_beside_the_judgement_is_refused():
    lenient = replace(finding(rpm=500.0), limits=finding(minimum=400.0).limits)

    refused(signed(report(lenient)), verify.FindingDoesNotFollow)


@pytest.mark.parametrize(
    ("signed_rpm", "judged_rpm", "follows"),
    [
        (41.5000001, 41.4999999, True),  # printed 42 and 41
        (1200.0, 1200.001, True),  # 8e-7
        (1200.0, 1200.002, False),  # 1.7e-6
        (0.0, 1e-9, False),
    ],
)
def test_a_fit_repeated_elsewhere_may_differ_in_its_last_bits_and_no_more(signed_rpm, judged_rpm, follows):
    def judge_elsewhere(found):
        again = judge(found)
        reason = again.reason.replace(f"{signed_rpm:.0f} rpm", f"{judged_rpm:.0f} rpm")
        return replace(again, measured=replace(again.measured, value=judged_rpm), reason=reason)

    raw = signed(report(finding(rpm=signed_rpm, minimum=-1.0)))
    if follows:
        assert verified(raw, rejudge=judge_elsewhere).findings[0].outcome is Outcome.FOLLOWS
    else:
        refused(raw, verify.FindingDoesNotFollow, rejudge=judge_elsewhere)


def test_a_verdict_of_the_unit_that_its_findings_do_not_give_is_refused():
    raw = signed(report(finding(rpm=0.0), verdict=UnitVerdict.READY))

    error = refused(raw, verify.VerdictDoesNotFollow)
    assert str(error).startswith("its verdict is ready, and its findings give hold")
    assert error.verified.findings


def left_out():
    whole = report(finding(), finding(rpm=0.0, part="second-fan"))
    return signed(replace(whole, findings=whole.findings[:1], verdict=UnitVerdict.READY))


def made_light():
    whole = report(finding(), finding(rpm=0.0, part="second-fan"))
    light = replace(whole.findings[1], weight=Weight.ADVISORY)
    return signed(replace(whole, findings=(whole.findings[0], light), verdict=UnitVerdict.READY))


def doubled():
    return signed(report(finding(), finding()))


# -- broken files, each named for its defect ---------------------------------------------------


def foreign():
    certified = credential(root=STRANGER)
    return signed(report(certified=certified))


def of_another_bench():
    other = signer("bench 4", Role.BENCH)
    return signed(report(), by=other)


def by_office():
    certified = credential(OFFICE, name="office")
    return signed(report(certified=certified), by=OFFICE)


def by_root_itself():
    return signed(report(), by=ROOT)


def certified_by_a_bench():
    """A bench that certifies another one: its library would refuse, so it forges the root's role."""
    forger = signer("bench 3", Role.ROOT)
    other = signer("bench 4", Role.BENCH)
    certified = issue_credential(forger, role=Role.BENCH, name="bench 4", subject=other.multikey, now=NOW)
    return signed(report(certified=certified), by=other)


def another_chain():
    held = report()
    return signed(replace(held, chain=replace(held.chain, chain=f"{'0' * 32}-{'5a' * 16}")))


def changed_byte():
    value = GOOD["proof"]["proofValue"]
    return GOOD | {"proof": GOOD["proof"] | {"proofValue": value[:-1] + ("1" if value[-1] != "1" else "2")}}


def without(name):
    return {member: value for member, value in GOOD.items() if member != name}


def proof_with(**members):
    return GOOD | {"proof": GOOD["proof"] | members}


BROKEN = {
    "report-is-a-list": ([GOOD], verify.NotARecord),
    "report-is-a-work-order": (GOOD | {"schema": "benchproof/order/1"}, verify.NotARecord),
    "report-of-a-newer-schema": (signed_again(GOOD, schema="benchproof/record/2"), verify.NewerRecord),
    "report-of-an-unknown-type": (signed_again(GOOD, type="praise"), verify.NotARecord),
    "report-without-proof": (without("proof"), proof.ProofMissing),
    "report-with-two-proofs": (GOOD | {"proof": [GOOD["proof"]] * 2}, proof.ProofNotSingle),
    "proof-in-a-list": (GOOD | {"proof": [GOOD["proof"]]}, proof.ProofNotSingle),
    "proof-of-an-unknown-suite": (proof_with(cryptosuite="ecdsa-jcs-2019"), proof.UnknownSuite),
    "proof-of-an-unknown-type": (proof_with(type="RsaSignature2018"), proof.UnknownSuite),
    "proof-for-another-purpose": (proof_with(proofPurpose="authentication"), proof.WrongPurpose),
    "proof-one-byte-changed": (changed_byte(), proof.SignatureWrong),
    "report-one-byte-changed": (GOOD | {"technician": "t8"}, proof.SignatureWrong),
    "report-verdict-changed": (GOOD | {"verdict": "hold"}, proof.SignatureWrong),
    "report-member-added": (GOOD | {"note": ""}, proof.SignatureWrong),
    "report-member-removed": (without("unproven"), proof.SignatureWrong),
    "report-credential-removed": (signed_again(without("credential")), CredentialMissing),
    "credential-name-changed": (
        signed_again(GOOD, credential=GOOD["credential"] | {"name": "bench 1"}),
        CredentialUnproven,
    ),
    "credential-of-a-foreign-root": (foreign(), verify.ForeignRoot),
    "credential-by-a-bench": (certified_by_a_bench(), verify.ForeignRoot),
    "credential-of-another-bench": (of_another_bench(), verify.ForeignCredential),
    "report-signed-by-the-root": (by_root_itself(), verify.ForeignCredential),
    "report-signed-by-the-office": (by_office(), WrongRole),
    "credential-expired": (signed(at=NOW + timedelta(days=90, seconds=1)), CredentialExpired),
    "credential-not-yet-valid": (signed(at=datetime(2010, 1, 1, tzinfo=UTC)), CredentialNotYetValid),
    "rehearsal-under-a-bench-key": (signed(report(source=Source.REHEARSAL)), verify.SourceNotAllowed),
    "recording-under-a-bench-key": (signed(report(source=Source.RECORDED)), verify.SourceNotAllowed),
    "report-of-an-unknown-source": (signed_again(GOOD, source="dream"), verify.SourceNotAllowed),
    "report-of-another-chain": (another_chain(), chain.ChainMixed),
    "report-without-chain": (signed_again(without("chain")), chain.ChainBroken),
    "report-signed-but-not-whole": (signed_again(without("findings")), verify.ReportMalformed),
    "report-with-an-unknown-member": (signed_again(GOOD, note="x"), verify.ReportMalformed),
    "report-order-exchanged": (
        signed_again(GOOD, order=GOOD["order"] | {"number": "LM-1"}),
        verify.OrderDiffers,
    ),
    "opened-without-its-nonce": (
        signed_again({name: it for name, it in opened().items() if name != "nonce"}),
        verify.RecordMalformed,
    ),
    "opened-with-an-unknown-member": (signed_again(opened(), note="x"), verify.RecordMalformed),
    "opened-at-no-time": (signed_again(opened(), opened="this morning"), verify.RecordMalformed),
    "concession-whose-members-are-not-known": (
        signed_again(opened(), type="concession"),
        verify.RecordMalformed,
    ),
    "hand-back-that-is-a-report": (signed_again(GOOD, type="hand-back"), verify.RecordMalformed),
    "report-finding-left-out": (left_out(), verify.FindingsIncomplete),
    "report-finding-made-advisory": (made_light(), verify.FindingsIncomplete),
    "report-finding-twice": (doubled(), verify.FindingsIncomplete),
}


@pytest.mark.parametrize("name", BROKEN)
def test_each_broken_file_is_refused_for_its_own_reason(name, tmp_path):
    broken, error = BROKEN[name]
    path = tmp_path / f"{name}.json"
    path.write_text(json.dumps(broken))

    caught = refused(read_json(path, "report"), error, now=NOW + timedelta(days=100))
    assert caught.reference != "verification"
    assert "\n" not in str(caught)


@pytest.mark.parametrize("trust", ["", "  ", "no-such-file.txt", "ab12"])
def test_without_a_root_to_trust_nothing_is_verified(trust):
    refused(GOOD, verify.TrustMissing, trust=trust)


def test_the_trust_file_of_another_shop_does_not_do():
    refused(GOOD, verify.ForeignRoot, trust=fingerprint(STRANGER.multikey))


def test_a_proof_that_was_to_hold_for_a_while_only_is_refused_afterwards():
    bare = without("proof")
    config = {name: value for name, value in GOOD["proof"].items() if name != "proofValue"}
    config["expires"] = "2026-03-03T08:00:00Z"
    value = proof.to_multibase(BENCH.sign(proof.hash_data(bare, config)))
    raw = bare | {"proof": config | {"proofValue": value}}

    refused(raw, verify.ProofExpired)
    assert verified(raw, now=NOW)


def test_words_from_a_report_reach_no_terminal_raw():
    raw = signed_again(GOOD, type="\x1b[2J\u202e")

    assert "\x1b" not in str(refused(raw, verify.NotARecord))


def test_every_step_of_the_list_has_an_error_that_a_broken_file_shows():
    shown = {error for _, error in BROKEN.values()}
    elsewhere = {
        verify.TrustMissing,
        verify.ProofExpired,
        verify.TimeAhead,
        verify.KeyRevoked,
        verify.FindingDoesNotFollow,
        verify.VerdictDoesNotFollow,
    }
    own = {
        error
        for error in vars(verify).values()
        if isinstance(error, type) and issubclass(error, verify.VerificationError)
        if error.__module__ == verify.__name__
    }
    assert own <= shown | elsewhere


def test_a_pass_that_was_never_judged_does_not_slip_through():
    never = replace(finding(), judgement=Judgement(Verdict.PASS, "looks fine", way=Way.OBSERVED))

    refused(signed(report(never)), verify.FindingDoesNotFollow)
