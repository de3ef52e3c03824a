"""`benchproof keys init`, `benchproof verify`, `benchproof page`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from agent.commands.common import now, print_json
from agent.console import Page, screen
from agent.exits import Exit
from agent.folder import bench_folder
from agent.running.attempt import read_record
from agent.running.seal import passphrase_source
from checks.registry import rejudge
from reports.codec import read_json, to_json
from reports.errors import VerificationError
from reports.files import write_new
from reports.keys import init_keys, new_passphrase
from reports.render.page import render_page
from reports.utc import utc_text
from reports.verify import Verified
from reports.verify import verify as verified


def keys_init(options: argparse.Namespace) -> int:
    """Make root and bench key; show each new passphrase once, and say where the root belongs."""
    page = Page(screen())
    given = passphrase_source(options.passphrase_file)() if options.passphrase_file else ""
    root, bench = new_passphrase(), given or new_passphrase()
    made = init_keys(
        bench_folder(options.bench).keys,
        shop=options.shop,
        bench=options.name,
        root_passphrase=root,
        bench_passphrase=bench,
        now=now(),
    )
    page.say(f"Made in {made.bench_key.parent}:")
    page.say(f"{made.root_key.name}: the shop's root key", indent=2)
    page.say(
        f"{made.bench_key.name}, {made.credential.name}: the bench key, for {made.valid_days} days", indent=2
    )
    page.say(f"{made.trust.name}: the root's fingerprint, to hand to whoever verifies", indent=2)
    page.heading("Write these down now; they are shown once")
    page.say(f"root passphrase   {root}", indent=2)
    if not given:
        page.say(f"bench passphrase  {bench}", indent=2)
    page.say()
    page.say(f"fingerprint       {made.root_fingerprint}", indent=2)
    page.say()
    page.say(
        f"Move {made.root_key.name} off this medium into the office safe: whoever holds it and its "
        "passphrase can certify any bench."
    )
    return Exit.DONE


def verify(options: argparse.Namespace) -> int:
    """Say who signed, under which credential, what follows from its evidence, what is not proven."""
    raw = read_record(options.report)
    revocations = read_json(options.revocations, "revocation list") if options.revocations else None
    try:
        result = verified(raw, trust=options.trust, now=now(), rejudge=rejudge, revocations=revocations)
    except VerificationError as error:
        _refused(str(options.report), error, as_json=options.json)
        return Exit.PROOF_REFUSED
    if options.json:
        print_json({"accepted": True} | _verified_json(result))
    else:
        Page(screen()).verified(str(options.report), result)
    return Exit.DONE


def _refused(name: str, error: VerificationError, *, as_json: bool) -> None:
    """Why, and what was established before: a finding that does not follow was signed by somebody."""
    established: Verified | None = getattr(error, "verified", None)
    if as_json:
        said = {"reference": error.reference, "found": error.what, "why": error.why, "do": error.hint}
        known = {"established": _verified_json(established)} if established else {}
        print_json({"accepted": False} | said | known)
        return
    page = Page(screen())
    page.refused(name, error)
    if established:
        page.established(established)


def _verified_json(result: Verified) -> dict[str, Any]:
    """What the screen says of a verification."""
    return {
        "type": result.type.value,
        "source": result.source.value,
        "signed_by": result.credential.name,
        "role": result.credential.role.value,
        "fingerprint": result.fingerprint,
        "root_fingerprint": result.root_fingerprint,
        "valid_from": utc_text(result.credential.valid_from),
        "valid_until": utc_text(result.credential.valid_until),
        "claimed": utc_text(result.claimed),
        "chain": to_json(result.position),
        "verdict": result.verdict.value if result.verdict else None,
        "findings": [to_json(each) for each in result.findings],
        "not_proven": list(result.not_proven),
    }


def page(options: argparse.Namespace) -> int:
    """Write the customer's page of a report beside it, or where `--out` says."""
    raw = read_record(options.report)
    target: Path = options.out or options.report.with_suffix(".html")
    write_new(target, render_page(raw).encode())
    Page(screen()).say(f"customer's page: {target}")
    return Exit.DONE
