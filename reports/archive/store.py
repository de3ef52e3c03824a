"""The archive: verified reports go in, rows that the audit counts come out.

Rules:

- only what `reports.verify` accepts is filed; what it refuses is kept aside, with the reason;
- a record is filed under the digest of its canonical JSON: the same record again, however it is
  spelt, changes nothing;
- receipts (bytes, when received, under which trust) are primary data. The tables of attempts and
  findings are derived from them, and `rebuild` makes them again;
- each call is one transaction: cut anywhere, the archive is as before the call or as after it;
- rehearsals, recordings and whatever a throw-away key signed carry a flag, and no question about
  repairs sees them;
- a report says which attempt *of its chain* it is; which attempt of an *order* it was is worked out
  when asked, so a report that is filed late takes its place.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, LargeBinary, create_engine, event, inspect, text
from sqlalchemy.exc import SQLAlchemyError

from reports import canonical, codec
from reports.archive import sql
from reports.archive.steps import MAKE_STEP_TABLE, STEPS, Step
from reports.canonical import Json
from reports.errors import DocumentError, Fault, VerificationError, shown
from reports.model.finding import Finding
from reports.model.record import Report, Source
from reports.utc import read_utc, utc_text
from reports.verify import Rejudge, Verified, verify

LARGEST_RECORD_BYTES = 1 << 20
"""Beyond it nothing is read: a report is held under 256 kB, and four times that is no report."""

KEPT_OF_OVERSIZE_BYTES = 64 << 10
"""How much of an oversize file is kept aside: enough to see what it was."""

_FORKED = (
    "another report stands at the same place of this chain: the stick was set back or copied, or its key is "
    "used elsewhere"
)


class State(StrEnum):
    FILED = "filed"
    ALREADY_FILED = "already filed"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Filing:
    """What became of one file. `digest` is the record's, or for refused bytes theirs.

    `reason` is empty unless refused, `reference` its short name. `rehearsal` is true for what is
    kept apart from repairs. `attempt` says which attempt of its order a filed report is as the archive stands
    now (from 1), None for a record that is no attempt. `warning` is one sentence, empty where all is well.
    """

    state: State
    digest: str
    name: str
    reason: str = ""
    reference: str = ""
    rehearsal: bool = False
    attempt: int | None = None
    warning: str = ""


@dataclass(frozen=True, slots=True)
class Attempt:
    """A filed report: which attempt of its order it was (`number`, from 1), and where it stands."""

    digest: str
    order_number: str
    number: int
    source: Source
    chain: str
    position: int
    unit_serial: str
    family: str
    began: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Counted:
    """A repair in a group: what the required findings of the group said on its first attempt."""

    group: str
    order_number: str
    report: str
    failed: bool
    inconclusive: bool


@dataclass(frozen=True, slots=True)
class Refused:
    """Something kept aside, and why. Of a file beyond the largest record, `size_bytes` is what was read."""

    digest: str
    received: str
    name: str
    reference: str
    reason: str
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """What `rebuild` made: how many receipts it read, and those that no longer verify, with reasons."""

    receipts: int
    faults: tuple[Filing, ...]


class Archive:
    """An archive at `url` (SQLAlchemy: `sqlite:///shop.sqlite`, or a PostgreSQL one).

    `clock` gives the present as aware UTC. `must_exist` refuses to make a new SQLite file, so that a
    mistyped path is not an empty archive. Raises DocumentError for an archive that cannot be opened,
    is not one, or was made by a newer program; every method raises it for a store that cannot answer.
    """

    def __init__(self, url: str, clock: Callable[[], datetime], *, must_exist: bool = False) -> None:
        self._clock = clock
        self._engine = _engine(url, must_exist)
        self._name = f"archive {self._engine.url.render_as_string()}"
        try:
            self._take_steps()
        except DocumentError:
            self.close()
            raise

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def add_file(self, path: Path, trust: str, *, rejudge: Rejudge | None = None) -> Filing:
        """`add` what lies at `path`; no more is read than could be a record. DocumentError if unreadable."""
        try:
            with path.open("rb") as file:
                data = file.read(LARGEST_RECORD_BYTES + 1)
        except OSError as error:
            fault = Fault("", f"cannot be read: {error.strerror}", "a report file", "file")
            raise DocumentError(f"report {path}", (fault,)) from error
        return self.add(data, path.name, trust, rejudge=rejudge)

    def add(self, data: bytes, name: str, trust: str, *, rejudge: Rejudge | None = None) -> Filing:
        """Verify the record in `data` against the root `trust` and file it, or keep it aside.

        `name` is what the bytes were called. With `rejudge` a report whose findings do not follow from
        its evidence is refused as well.
        """
        now = self._clock()
        try:
            raw = _parsed(data, name)
            digest = canonical.digest(raw)
        except DocumentError as error:
            return self._keep_aside(data, name, error, now)
        with self._transaction() as connection:
            if _one(connection, sql.RECEIPT, digest=digest):
                return _standing(connection, State.ALREADY_FILED, digest, name)
        try:
            verified = verify(raw, trust=trust, now=now, rejudge=rejudge)
        except (DocumentError, VerificationError) as error:
            return self._keep_aside(data, name, error, now)
        return self._file(data, digest, name, verified, now)

    def rebuild(self, *, rejudge: Rejudge | None = None) -> Rebuilt:
        """Make every derived table again from the receipts, each verified as of when it was received."""
        faults = []
        with self._transaction(writes=True) as connection:
            for statement in sql.FORGET_DERIVED:
                connection.execute(text(statement))
            receipts = connection.execute(text(sql.RECEIPTS)).all()
            for receipt in receipts:
                try:
                    _derive(connection, receipt.digest, _reread(receipt, rejudge))
                except (DocumentError, VerificationError) as error:
                    faults.append(_refusal(receipt.digest, receipt.name, error))
        return Rebuilt(len(receipts), tuple(faults))

    def attempts(self, order_number: str = "", *, rehearsals: bool = False) -> tuple[Attempt, ...]:
        """The filed attempts of an order (of all orders for ""), in order; rehearsals alone if asked."""
        with self._transaction() as connection:
            rows = _attempts(connection, order_number, rehearsals)
        return tuple(rows)

    def first_attempts(self, by: str, *, rehearsals: bool = False) -> tuple[Counted, ...]:
        """Per group (`part kind` or `check`) and repair, what its first attempt said; sorted by group."""
        with self._transaction() as connection:
            asked = {"by": by, "order_number": "", "rehearsal": int(rehearsals)}
            rows = connection.execute(text(sql.FIRST_ATTEMPTS), asked)
            return tuple(
                Counted(row.label, row.order_number, row.digest, bool(row.failed), bool(row.inconclusive))
                for row in rows
            )

    def refused(self) -> tuple[Refused, ...]:
        """What was kept aside, oldest first."""
        with self._transaction() as connection:
            return tuple(Refused(*row) for row in connection.execute(text(sql.REFUSED)))

    def body(self, digest: str) -> bytes:
        """The bytes of a filed record, as they were received. KeyError where there is none."""
        with self._transaction() as connection:
            row = _one(connection, sql.BODY, digest=digest)
        if row is None:
            raise KeyError(digest)
        return bytes(row.body)

    def _file(self, data: bytes, digest: str, name: str, verified: Verified, now: datetime) -> Filing:
        receipt = {
            "received": utc_text(now),
            "name": shown(name, 200),
            "trust": verified.root_fingerprint,  # what holds without the file that it was read from
        }
        with self._transaction(writes=True) as connection:
            if _one(connection, sql.RECEIPT, digest=digest):  # another bench was quicker
                return _standing(connection, State.ALREADY_FILED, digest, name)
            connection.execute(text(sql.ADD_RECEIPT), {"digest": digest, "body": data, **receipt})
            connection.execute(text(sql.RELEASE), {"digest": _bytes_digest(data)})
            _derive(connection, digest, verified)
            return _standing(connection, State.FILED, digest, name)

    def _keep_aside(
        self, data: bytes, name: str, error: DocumentError | VerificationError, now: datetime
    ) -> Filing:
        refusal = _refusal(_bytes_digest(data), name, error)
        kept = data if len(data) <= LARGEST_RECORD_BYTES else data[:KEPT_OF_OVERSIZE_BYTES]
        row = {
            "digest": refusal.digest,
            "received": utc_text(now),
            "name": shown(name, 200),
            "reference": refusal.reference,
            "reason": refusal.reason,
            "size_bytes": len(data),
            "body": kept,
        }
        with self._transaction(writes=True) as connection:
            connection.execute(text(sql.KEEP_ASIDE), row)
        return refusal

    def _take_steps(self) -> None:
        """Bring the schema up to date; an archive that is up to date is only read."""
        with self._transaction() as connection:
            if not self._steps_left(connection):
                return
        with self._transaction(writes=True) as connection:
            connection.execute(text(MAKE_STEP_TABLE))
            for step in self._steps_left(connection):
                self._take(connection, step)

    def _steps_left(self, connection: Connection) -> tuple[Step, ...]:
        tables = inspect(connection).get_table_names()
        if "schema_step" not in tables:
            self._refuse_strangers(tables)
            return STEPS
        run = {row.name for row in connection.execute(text(sql.STEPS_RUN))}
        self._refuse_newer(run)
        return tuple(step for step in STEPS if step.name not in run)

    def _take(self, connection: Connection, step: Step) -> None:
        blob = LargeBinary().compile(dialect=self._engine.dialect)
        for statement in step.statements:
            connection.execute(text(statement.format(blob=blob)))
        connection.execute(text(sql.ADD_STEP), {"name": step.name, "ran": utc_text(self._clock())})

    def _refuse_strangers(self, tables: list[str]) -> None:
        if tables:
            found = f"a database of something else (table {shown(sorted(tables)[0])})"
            self._refuse(Fault("", found, "an archive, or a new name to make one", "archive-stranger"))

    def _refuse_newer(self, run: set[str]) -> None:
        unknown = sorted(run - {step.name for step in STEPS})
        if unknown:
            found = f"written by a newer benchproof (step {shown(unknown[0])!r} is not known here)"
            hint = "update benchproof on this computer; the archive was not touched"
            self._refuse(Fault("", found, "the steps this version knows", "archive-newer", hint))

    def _refuse(self, fault: Fault) -> None:
        raise DocumentError(self._name, (fault,))

    @contextmanager
    def _transaction(self, *, writes: bool = False) -> Iterator[Connection]:
        engine = self._engine.execution_options(writes=writes)
        try:
            with engine.begin() as connection:
                yield connection
        except SQLAlchemyError as error:
            cause = str(getattr(error, "orig", None) or error)
            hint = "nothing was changed; see that the file is an archive, writable, with room on its disk"
            fault = Fault("", f"cannot be used: {shown(cause, 200)}", "a working archive", "archive", hint)
            raise DocumentError(self._name, (fault,)) from error


def _engine(url: str, must_exist: bool) -> Engine:
    try:
        engine = create_engine(url)
    except (SQLAlchemyError, ImportError) as error:
        fault = Fault("", f"not understood: {shown(str(error), 200)}", "sqlite:///PATH", "archive-url")
        raise DocumentError("archive", (fault,)) from error
    if engine.dialect.name == "sqlite":
        if must_exist and not Path(engine.url.database or "").is_file():
            fault = Fault("", "there is no such file", "an archive", "archive-missing", "see the path")
            raise DocumentError(f"archive {engine.url.database}", (fault,))
        event.listen(engine, "connect", _on_connect)
        event.listen(engine, "begin", _on_begin)
    return engine


def _on_connect(connection: Any, _: object) -> None:
    """Take the transactions of SQLite into our own hands: by itself the driver begins one too late."""
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")


def _on_begin(connection: Connection) -> None:
    """A writer takes the lock at once, so that what it read is still so when it writes."""
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _parsed(data: bytes, name: str) -> Json:
    """What is in `data`, as strict JSON. DocumentError where it is none."""
    document = f"record {shown(name, 200)}"
    if len(data) > LARGEST_RECORD_BYTES:
        found = f"more than {LARGEST_RECORD_BYTES >> 10} KiB"
        raise DocumentError(document, (Fault("", found, "a report is smaller than 256 kB", "too-large"),))
    return codec.parse(data, document)


def _reread(receipt: Any, rejudge: Rejudge | None) -> Verified:
    """What a receipt holds, verified again. Its bytes must still have the digest they came with."""
    raw = _parsed(bytes(receipt.body), receipt.name)
    if canonical.digest(raw) != receipt.digest:
        raise VerificationError("the bytes in the archive are not those that were received")
    return verify(raw, trust=receipt.trust, now=read_utc(receipt.received), rejudge=rejudge)


def _derive(connection: Connection, digest: str, verified: Verified) -> None:
    """Write the derived rows of a filed record; a record that is no attempt has none."""
    if verified.report is None:
        return
    connection.execute(text(sql.ADD_ATTEMPT), _attempt_row(digest, verified, verified.report))
    rows = [_finding_row(digest, *numbered) for numbered in enumerate(verified.report.findings)]
    if rows:
        connection.execute(text(sql.ADD_FINDING), rows)


def _attempt_row(digest: str, verified: Verified, report: Report) -> dict[str, str | int]:
    return {
        "digest": digest,
        "rehearsal": int(verified.source is not Source.LIVE or verified.credential.throw_away),
        "source": verified.source.value,
        "chain": verified.position.chain,
        "position": verified.position.position,
        "order_number": report.order.number,
        "unit_serial": report.order.unit.serial,
        "family": report.service_map.family,
        "began": utc_text(read_utc(report.clock.began)),
        "verdict": report.verdict.value,
    }


def _finding_row(digest: str, place: int, finding: Finding) -> dict[str, str | int]:
    return {
        "digest": digest,
        "place": place,
        "check_id": finding.check,
        "part": finding.part,
        "part_kind": finding.part_kind,
        "weight": finding.weight.value,
        "verdict": finding.judgement.verdict.value,
        "known_at_intake": int(finding.known_at_intake),
    }


def _attempts(connection: Connection, order_number: str, rehearsals: bool) -> list[Attempt]:
    asked = {"order_number": order_number, "rehearsal": int(rehearsals)}
    rows = connection.execute(text(sql.ATTEMPTS), asked).mappings()
    return [Attempt(**{**row, "source": Source(row["source"])}) for row in rows]


def _standing(connection: Connection, state: State, digest: str, name: str) -> Filing:
    """What a filed record is as the archive stands: which attempt of its order, and whether its place
    in its chain is taken twice."""
    own = _one(connection, sql.ATTEMPT, digest=digest)
    if own is None:
        return Filing(state, digest, name)
    attempts = _attempts(connection, own.order_number, bool(own.rehearsal))
    number = next(attempt.number for attempt in attempts if attempt.digest == digest)
    return Filing(
        state,
        digest,
        name,
        rehearsal=bool(own.rehearsal),
        attempt=number,
        warning=_FORKED if _one(connection, sql.FORK, digest=digest) else "",
    )


def _one(connection: Connection, statement: str, **parameters: str) -> Any:
    return connection.execute(text(statement), parameters).first()


def _refusal(digest: str, name: str, error: DocumentError | VerificationError) -> Filing:
    reference = error.faults[0].reference if isinstance(error, DocumentError) else error.reference
    return Filing(State.REFUSED, digest, name, reason=str(error), reference=reference)


def _bytes_digest(data: bytes) -> str:
    return f"sha256:{hashlib.sha256(data).hexdigest()}"
