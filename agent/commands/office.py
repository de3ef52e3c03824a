"""`benchproof archive add`, `benchproof audit`: what the office does with reports."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path

from agent.commands.common import now, print_json
from agent.console import Page, screen
from agent.exits import Exit
from agent.folder import bench_folder
from checks.registry import rejudge
from reports.archive.store import Archive, Filing, State
from reports.audit.first_attempt import failed_first_attempt
from reports.codec import to_json
from reports.errors import DocumentError, Fault


def archive_add(options: argparse.Namespace) -> int:
    """File what verifies, keep aside what does not; the status says whether anything was refused."""
    page = Page(screen())
    with Archive(_url(options), now) as archive:
        filings = file_all(archive, tuple(_files(options.reports)), options.trust)
    page.filings(filings)
    refused = any(filing.state is State.REFUSED for _, filing in filings)
    return Exit.PROOF_REFUSED if refused else Exit.DONE


def file_all(archive: Archive, files: Sequence[Path], trust: str) -> tuple[tuple[Path, Filing], ...]:
    """File each of `files` in turn; what is refused does not keep the rest out."""
    return tuple((file, archive.add_file(file, trust, rejudge=rejudge)) for file in files)


def audit(options: argparse.Namespace) -> int:
    """Show checks failed on the first attempt per kind of part, with how sure that is."""
    with Archive(_url(options), now, must_exist=True) as archive:
        table = failed_first_attempt(archive, rehearsals=options.rehearsals)
    if options.json:
        print_json(to_json(table))
    else:
        Page(screen()).audit(table)
    return Exit.DONE


def _url(options: argparse.Namespace) -> str:
    if not options.archive:
        folder = bench_folder(options.bench).root
        folder.mkdir(parents=True, exist_ok=True)
        return f"sqlite:///{folder / 'archive.sqlite'}"
    return str(options.archive) if "://" in options.archive else f"sqlite:///{options.archive}"


def _files(paths: Sequence[Path]) -> Iterator[Path]:
    """Files as given; of a folder every .json in it and below, in the order of their names."""
    for path in paths:
        if not path.is_dir():
            yield path
            continue
        inside = sorted(path.rglob("*.json"))
        if not inside:
            fault = Fault("", "no .json file in this folder", "reports, or folders of them", "file")
            raise DocumentError(f"folder {path}", (fault,))
        yield from inside
