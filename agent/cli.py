"""The command line: what may be typed, which command it is, and the exit status of every way out.

Nothing heavy is imported here: `--help` answers at once, and each command imports what it needs.
"""

from __future__ import annotations

import argparse
import errno
import os
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Sequence
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from agent.exits import MEANING, Exit

Command = Callable[[argparse.Namespace], int]

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

_EPILOG = "exit statuses:\n" + "\n".join(
    f"  {status.value:<3} {meaning}" for status, meaning in MEANING.items()
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; every error becomes one clear sentence and its exit status, never a traceback."""
    options = _parser().parse_args(arguments)
    try:
        command: Command = getattr(import_module(f"agent.commands.{options.module}"), options.function)
        return _logged(command, options)
    except KeyboardInterrupt:
        print("\nbenchproof: stopped", file=sys.stderr)
        return Exit.STOPPED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:  # noqa: BLE001 - the door to the user: every error is told, none is thrown
        return _told(error)


def _logged(command: Command, options: argparse.Namespace) -> int:
    """Run `command`; what has a bench folder logs there."""
    if not hasattr(options, "bench"):
        return int(command(options))
    from agent.log import logged

    return logged(command, options)


def _told(error: Exception) -> int:
    """Print what went wrong and return its exit status."""
    from agent.console import Page, screen
    from reports.errors import DocumentError, VerificationError, shown

    page = Page(screen(sys.stderr))
    if isinstance(error, DocumentError):
        page.document_fault(error)
        return Exit.BAD_DOCUMENT
    if isinstance(error, VerificationError):
        page.refused("this document", error)
        return Exit.PROOF_REFUSED
    if isinstance(error, OSError) and error.errno in _MEDIUM:
        name = f" ({error.filename})" if error.filename else ""
        page.say(f"Cannot write{name}: {_MEDIUM[error.errno]}. Nothing that was there before was changed.")
        return Exit.BAD_DOCUMENT
    saved = _save_crash(error)
    page.say(f"A fault of ours: {shown(type(error).__name__)}. The unit was left as it was.")
    page.say(f"Please send us this file: {saved}")
    return Exit.OUR_FAULT


_MEDIUM = {
    errno.ENOSPC: "the medium is full; free some space or use another folder",
    errno.EDQUOT: "the medium is full for this user; free some space or use another folder",
    errno.EROFS: "the medium is write-protected; unlock it or use another folder",
    errno.EACCES: "not permitted; use a folder of your own",
    errno.EPERM: "not permitted; use a folder of your own",
    errno.EIO: "the medium does not answer; was the stick pulled?",
    errno.ENODEV: "the medium is gone; put the stick back",
    errno.ENXIO: "the medium is gone; put the stick back",
    errno.ESTALE: "the medium is gone; connect it again",
    errno.EEXIST: "it exists already, and nothing is overwritten; choose a new name",
    errno.ENOTDIR: "a file stands where a folder is needed; choose another name",
    errno.EISDIR: "a folder stands where a file is needed; choose another name",
    errno.ENOENT: "the folder does not exist; make it or choose another",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
}


def _save_crash(error: Exception) -> Path:
    text = "".join(traceback.format_exception(error))
    name = f"benchproof-fault-{time.strftime('%Y%m%d-%H%M%S')}.txt"
    for folder in (Path.cwd(), Path(tempfile.gettempdir())):
        try:
            (folder / name).write_text(text, encoding="utf-8")
        except OSError:
            continue
        return folder / name
    return Path("/dev/stderr")


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchproof",
        description="Prove, after a repair, that each part does its job and nothing was left loose.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _run(commands)
    _stick(commands)
    _plan(commands)
    _baseline(commands)
    _inventory(commands)
    _bench_check(commands)
    _documents(commands)
    _proofs(commands)
    _office(commands)
    _demo(commands)
    return parser


def _add(commands: Subparsers, name: str, help: str, module: str, function: str) -> argparse.ArgumentParser:
    command = commands.add_parser(name, help=help, description=help[0].upper() + help[1:] + ".")
    command.set_defaults(module=module, function=function)
    return command


def _bench(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--bench",
        type=Path,
        metavar="DIR",
        help="folder with orders/, maps/, reports/ and keys/ (else $BENCHPROOF_BENCH, "
        "else ~/.local/share/benchproof)",
    )


def _json(command: argparse.ArgumentParser) -> None:
    command.add_argument("--json", action="store_true", help="print JSON, for another program")


def _order(command: argparse.ArgumentParser) -> None:
    command.add_argument("order", nargs="?", metavar="ORDER", help="a file, or the number of one in orders/")
    command.add_argument("--map", type=Path, metavar="FILE", help="use this service map")
    command.add_argument("--budget", type=float, metavar="MINUTES", help="minutes for the whole plan")


def _compared(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--baseline",
        type=Path,
        metavar="FILE",
        help="compare with this baseline (else the one that lies beside the order)",
    )


def _rehearsed(command: argparse.ArgumentParser, doing: str) -> None:
    command.add_argument("--rehearse", type=Path, metavar="UNIT", help=f"{doing} a rehearsal unit (JSON)")
    command.add_argument(
        "--fault", action="append", default=[], metavar="NAME", help="with --rehearse: a fault to put on it"
    )
    command.add_argument("--seed", type=int, default=1, help="with --rehearse: seed of its noise")


def _run(commands: Subparsers) -> None:
    command = _add(
        commands, "run", "run the checks that an order calls for; write a signed report", "run", "run"
    )
    _order(command)
    _bench(command)
    command.add_argument(
        "--worked", metavar="PARTS", help="instead of an order: parts worked on, such as memory,storage"
    )
    command.add_argument(
        "--form", choices=("all-in-one", "laptop", "tower"), help="with --worked: the unit's shape"
    )
    command.add_argument("--technician", metavar="ID", help="who is at the bench (an id, not a name)")
    command.add_argument("--out", type=Path, metavar="DIR", help="write into this new folder")
    command.add_argument(
        "--unattended", action="store_true", help="ask nothing; what needs a person stays open"
    )
    command.add_argument(
        "--passphrase-file", type=Path, metavar="FILE", help="read the key's passphrase here"
    )
    command.add_argument(
        "--allow-control", action="store_true", help="let a check command a fan: full speed, for seconds"
    )
    _rehearsed(command, "run on")
    _compared(command)


def _stick(commands: Subparsers) -> None:
    help = "what the bootable stick starts: find the unit's order, run it, keep the report on the stick"
    command = _add(commands, "stick", help, "stick", "stick")
    where = command.add_mutually_exclusive_group()
    where.add_argument(
        "--data", type=Path, metavar="FOLDER", help="a folder with orders/, maps/, reports/ and keys/"
    )
    where.add_argument(
        "--device", metavar="DEV", help="a partition of the stick (else the one that the kernel was told of)"
    )
    command.add_argument(
        "--passphrase-file", type=Path, metavar="FILE", help="read the key's passphrase here"
    )
    _rehearsed(command, "run on")


def _plan(commands: Subparsers) -> None:
    command = _add(commands, "plan", "show what an order calls for, and why", "plan", "plan")
    _order(command)
    _bench(command)
    _json(command)
    command.add_argument("--sheet", type=Path, metavar="FILE", help="write the rebuild sheet to print (HTML)")
    _compared(command)


def _baseline(commands: Subparsers) -> None:
    command = _add(
        commands, "baseline", "record a unit at intake, before it is opened", "baseline", "baseline"
    )
    _order(command)
    _bench(command)
    command.add_argument("--load", action="store_true", help="heat it too, for the cooler's figure")
    command.add_argument(
        "--did-not-start", action="store_true", help="it does not start: record what its label says"
    )
    command.add_argument("--label-serial", metavar="SERIAL", help="the serial on the unit's label")
    command.add_argument("--technician", metavar="ID", help="who is at the bench (an id, not a name)")
    command.add_argument("--unattended", action="store_true", help="do not ask whether the complaint shows")
    command.add_argument("--out", type=Path, metavar="FILE", help="a new file (else beside the order)")
    _rehearsed(command, "record")


def _inventory(commands: Subparsers) -> None:
    help = "show what this computer is and has, touched parts first"
    command = _add(commands, "inventory", help, "inventory", "inventory")
    _order(command)
    _bench(command)
    _json(command)
    _rehearsed(command, "show")


def _bench_check(commands: Subparsers) -> None:
    bench = commands.add_parser("bench", help="take the bench reference").add_subparsers(
        metavar="check", required=True
    )
    help = "on a known-good computer: record what the air at this bench is like, for 30 days"
    check = _add(bench, "check", help, "bench", "bench_check")
    _bench(check)
    check.add_argument("--ambient", type=float, metavar="CELSIUS", help="how warm the room is")
    check.add_argument(
        "--ambient-sensor", metavar="ID", help="the sensor of this computer that reads the room"
    )
    check.add_argument("--days", type=int, default=30, metavar="N", help="for how many days it is good")
    check.add_argument("--technician", metavar="ID", help="who is at the bench (an id, not a name)")
    _rehearsed(check, "listen with")


def _documents(commands: Subparsers) -> None:
    order = commands.add_parser("order", help="make work orders").add_subparsers(metavar="new", required=True)
    new = _add(
        order, "new", "ask for a work order and write it, or make many from a table", "documents", "order_new"
    )
    _bench(new)
    new.add_argument(
        "--from", dest="table", type=Path, metavar="FILE.csv", help="one line of an order per row"
    )
    new.add_argument(
        "--out", type=Path, metavar="DIR", help="where to write (else orders/ of the bench folder)"
    )
    maps = commands.add_parser("map", help="check service maps").add_subparsers(
        metavar="check", required=True
    )
    check = _add(maps, "check", "name everything that is wrong with service maps", "documents", "map_check")
    check.add_argument("maps", nargs="+", type=Path, metavar="MAP")


def _proofs(commands: Subparsers) -> None:
    keys = commands.add_parser("keys", help="make signing keys").add_subparsers(metavar="init", required=True)
    init = _add(
        keys, "init", "make a root key for the office and a bench key for this stick", "proofs", "keys_init"
    )
    _bench(init)
    init.add_argument("--shop", default="the shop", help="what the shop is called in trust.txt")
    init.add_argument("--name", default="bench", help="what the bench is called in reports")
    init.add_argument(
        "--passphrase-file", type=Path, metavar="FILE", help="take the bench key's passphrase from here"
    )
    verify = _add(commands, "verify", "say who signed a report and what that proves", "proofs", "verify")
    verify.add_argument("report", type=Path, metavar="REPORT")
    _trust(verify)
    verify.add_argument("--revocations", type=Path, metavar="FILE", help="a revocation list of the office")
    _json(verify)
    page = _add(commands, "page", "make the customer's page of a report", "proofs", "page")
    page.add_argument("report", type=Path, metavar="REPORT")
    page.add_argument("--out", type=Path, metavar="FILE", help="where to write (else beside the report)")


def _trust(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--trust",
        required=True,
        metavar="FINGERPRINT|FILE",
        help="the root's fingerprint, or a file that holds it",
    )


def _office(commands: Subparsers) -> None:
    archive = commands.add_parser("archive", help="the shop's store of verified reports")
    inside = archive.add_subparsers(metavar="add", required=True)
    add = _add(
        inside, "add", "verify reports and file them; keep aside what is refused", "office", "archive_add"
    )
    add.add_argument("reports", nargs="+", type=Path, metavar="PATH", help="reports, or folders of them")
    _trust(add)
    audit = _add(
        commands, "audit", "show checks failed on the first attempt, per kind of part", "office", "audit"
    )
    audit.add_argument("--rehearsals", action="store_true", help="look at rehearsals instead of repairs")
    _json(audit)
    for command in (add, audit):
        _bench(command)
        command.add_argument(
            "--archive",
            metavar="FILE|URL",
            help="a file, or a database URL (else archive.sqlite of the bench)",
        )


def _demo(commands: Subparsers) -> None:
    command = _add(
        commands, "demo", "an invented repair from order to audit, on a rehearsal unit", "demo", "demo"
    )
    command.add_argument("--out", type=Path, default=Path("build/demo"), metavar="DIR")


if __name__ == "__main__":
    sys.exit(main())
