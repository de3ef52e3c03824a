"""The schema of the archive, as named steps.

A step and the note that it ran share a transaction. A step that has run anywhere is never changed;
what is new is a new step at the end. `receipt` and `refused` are primary data; every other table is
derived from receipts and may be dropped and made again by any later step.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Step:
    """A change of the schema. `{blob}` stands for the database's type for bytes."""

    name: str
    statements: tuple[str, ...]


MAKE_STEP_TABLE = "CREATE TABLE IF NOT EXISTS schema_step (name TEXT PRIMARY KEY, ran TEXT NOT NULL)"

STEPS = (
    Step(
        "receipts and refused",
        (
            """
            CREATE TABLE receipt (
                digest TEXT PRIMARY KEY,
                received TEXT NOT NULL,
                name TEXT NOT NULL,
                trust TEXT NOT NULL,
                body {blob} NOT NULL
            )
            """,
            """
            CREATE TABLE refused (
                digest TEXT PRIMARY KEY,
                received TEXT NOT NULL,
                name TEXT NOT NULL,
                reference TEXT NOT NULL,
                reason TEXT NOT NULL,
                size_bytes BIGINT NOT NULL,
                body {blob} NOT NULL
            )
            """,
        ),
    ),
    Step(
        "attempts and findings",
        (
            """
            CREATE TABLE attempt (
                digest TEXT PRIMARY KEY REFERENCES receipt (digest),
                rehearsal INTEGER NOT NULL CHECK (rehearsal IN (0, 1)),
                source TEXT NOT NULL,
                chain TEXT NOT NULL,
                position BIGINT NOT NULL,
                order_number TEXT NOT NULL,
                unit_serial TEXT NOT NULL,
                family TEXT NOT NULL,
                began TEXT NOT NULL,
                verdict TEXT NOT NULL
            )
            """,
            """
            CREATE TABLE finding (
                digest TEXT NOT NULL REFERENCES attempt (digest),
                place INTEGER NOT NULL,
                check_id TEXT NOT NULL,
                part TEXT NOT NULL,
                part_kind TEXT NOT NULL,
                weight TEXT NOT NULL,
                verdict TEXT NOT NULL,
                known_at_intake INTEGER NOT NULL,
                PRIMARY KEY (digest, place)
            )
            """,
            "CREATE INDEX attempt_of_order ON attempt (rehearsal, order_number)",
            "CREATE INDEX attempt_of_chain ON attempt (chain, position)",
        ),
    ),
)
