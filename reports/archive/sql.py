"""Every statement that reads or writes the archive, with named parameters.

SQLite and PostgreSQL understand all of them.
"""

from __future__ import annotations

from typing import Final

ADD_STEP: Final = "INSERT INTO schema_step (name, ran) VALUES (:name, :ran)"
STEPS_RUN: Final = "SELECT name FROM schema_step"

RECEIPT: Final = "SELECT received, name FROM receipt WHERE digest = :digest"
RECEIPTS: Final = "SELECT digest, received, name, trust, body FROM receipt ORDER BY received, digest"
BODY: Final = "SELECT body FROM receipt WHERE digest = :digest"
ADD_RECEIPT: Final = """
    INSERT INTO receipt (digest, received, name, trust, body)
    VALUES (:digest, :received, :name, :trust, :body)
"""

# the latest reason is kept: what was refused for want of the right root may be refused for more
KEEP_ASIDE: Final = """
    INSERT INTO refused (digest, received, name, reference, reason, size_bytes, body)
    VALUES (:digest, :received, :name, :reference, :reason, :size_bytes, :body)
    ON CONFLICT (digest) DO UPDATE SET reference = excluded.reference, reason = excluded.reason
"""
RELEASE: Final = "DELETE FROM refused WHERE digest = :digest"
REFUSED: Final = """
    SELECT digest, received, name, reference, reason, size_bytes FROM refused ORDER BY received, digest
"""

ADD_ATTEMPT: Final = """
    INSERT INTO attempt (digest, rehearsal, source, chain, position, order_number, unit_serial, family,
                         began, verdict)
    VALUES (:digest, :rehearsal, :source, :chain, :position, :order_number, :unit_serial, :family,
            :began, :verdict)
"""
ADD_FINDING: Final = """
    INSERT INTO finding (digest, place, check_id, part, part_kind, weight, verdict, known_at_intake)
    VALUES (:digest, :place, :check_id, :part, :part_kind, :weight, :verdict, :known_at_intake)
"""
FORGET_DERIVED: Final = ("DELETE FROM finding", "DELETE FROM attempt")

ATTEMPT: Final = "SELECT order_number, rehearsal FROM attempt WHERE digest = :digest"
FORK: Final = """
    SELECT other.digest
    FROM attempt own JOIN attempt other
      ON other.chain = own.chain AND other.position = own.position AND other.digest <> own.digest
    WHERE own.digest = :digest
"""

# Which attempt of its order a report was. Within a chain the position decides, since a clock can be
# set back; between chains the claimed time does: `since` is that time, never falling along a chain.
_NUMBERED: Final = """
    WITH timed AS (
        SELECT digest, rehearsal, source, chain, position, order_number, unit_serial, family, began,
               verdict,
               MAX(began) OVER (PARTITION BY rehearsal, chain ORDER BY position, digest
                                ROWS UNBOUNDED PRECEDING) AS since
        FROM attempt
        WHERE rehearsal = :rehearsal
          AND (:order_number = ''
               OR chain IN (SELECT chain FROM attempt WHERE order_number = :order_number))
    ), numbered AS (
        SELECT digest, source, chain, position, order_number, unit_serial, family, began, verdict,
               ROW_NUMBER() OVER (PARTITION BY order_number
                                  ORDER BY since, chain, position, digest) AS number
        FROM timed
    )
"""

ATTEMPTS: Final = f"""{_NUMBERED}
    SELECT digest, order_number, number, source, chain, position, unit_serial, family, began, verdict
    FROM numbered
    WHERE order_number = :order_number OR :order_number = ''
    ORDER BY order_number, number
"""  # noqa: S608 - a constant of this module

FIRST_ATTEMPTS: Final = f"""{_NUMBERED}, asked AS (
        SELECT CASE :by WHEN 'part kind' THEN finding.part_kind WHEN 'check' THEN finding.check_id END
                   AS label,
               numbered.order_number, numbered.digest, finding.verdict
        FROM numbered JOIN finding ON finding.digest = numbered.digest
        WHERE numbered.number = 1
          AND finding.weight = 'required'
          AND finding.known_at_intake = 0
          AND finding.verdict <> 'not applicable'
    )
    SELECT label, order_number, digest,
           MAX(CASE WHEN verdict = 'fail' THEN 1 ELSE 0 END) AS failed,
           MAX(CASE WHEN verdict = 'inconclusive' THEN 1 ELSE 0 END) AS inconclusive
    FROM asked
    GROUP BY label, order_number, digest
    ORDER BY label, order_number
"""  # noqa: S608 - a constant of this module
