"""What can be wrong with the ledger, each as one SQL statement whose rows are the offenders.

Every statement sees the whole database in one set-based pass, on SQLite and PostgreSQL alike;
`ledger_checks` runs them. A column named `..._id` is a primary key, `at` is a moment.
"""

from __future__ import annotations

from typing import Final

_HOUSE: Final = "(SELECT id FROM lots_party WHERE kind = 'house')"

# Metal comes from somewhere and goes somewhere: every movement sums to zero for every metal.
UNBALANCED: Final = """
SELECT m.sequence, e.movement_id, e.metal, e.surplus_ug
FROM (SELECT movement_id, metal, SUM(mass_ug) AS surplus_ug FROM lots_entry
      GROUP BY movement_id, metal HAVING SUM(mass_ug) <> 0) e
LEFT JOIN lots_movement m ON m.id = e.movement_id
"""

# A movement's claims say whose the metal is that it added to the house's lots.
CLAIMS_APART_FROM_POOL: Final = f"""
SELECT m.sequence, both_sides.movement_id, both_sides.metal,
       both_sides.pool_ug, both_sides.claims_ug
FROM (SELECT movement_id, metal, SUM(pool_ug) AS pool_ug, SUM(claim_ug) AS claims_ug
      FROM (SELECT movement_id, metal, mass_ug AS pool_ug, 0 AS claim_ug FROM lots_entry
            WHERE lot_id IS NOT NULL AND owner_id = {_HOUSE}
            UNION ALL
            SELECT movement_id, metal, 0, mass_ug FROM lots_claimentry) lines
      GROUP BY movement_id, metal HAVING SUM(pool_ug) <> SUM(claim_ug)) both_sides
LEFT JOIN lots_movement m ON m.id = both_sides.movement_id
"""

# Lines of one moment count together: within it nothing says which came first.
LOT_BELOW_ZERO: Final = """
SELECT l.code AS lot, b.lot_id, b.owner_id, b.metal, b.at, b.lowest_ug
FROM (SELECT lot_id, owner_id, metal, MIN(occurred_at) AS at, MIN(running) AS lowest_ug
      FROM (SELECT lot_id, owner_id, metal, occurred_at,
                   SUM(SUM(mass_ug)) OVER (PARTITION BY lot_id, owner_id, metal
                                           ORDER BY occurred_at) AS running
            FROM lots_entry WHERE lot_id IS NOT NULL
            GROUP BY lot_id, owner_id, metal, occurred_at) history
      WHERE running < 0 GROUP BY lot_id, owner_id, metal) b
LEFT JOIN lots_lot l ON l.id = b.lot_id
"""

MATERIAL_BELOW_ZERO: Final = """
SELECT l.code AS lot, b.lot_id, b.at, b.lowest_ug, b.lowest_ul
FROM (SELECT lot_id, MIN(occurred_at) AS at, MIN(mass) AS lowest_ug, MIN(volume) AS lowest_ul
      FROM (SELECT lot_id, occurred_at,
                   SUM(SUM(mass_ug)) OVER (PARTITION BY lot_id ORDER BY occurred_at) AS mass,
                   SUM(SUM(volume_ul)) OVER (PARTITION BY lot_id ORDER BY occurred_at) AS volume
            FROM lots_materialentry GROUP BY lot_id, occurred_at) history
      WHERE mass < 0 OR volume < 0 GROUP BY lot_id) b
LEFT JOIN lots_lot l ON l.id = b.lot_id
"""

CLAIM_BELOW_ZERO: Final = f"""
SELECT p.code AS owner, b.owner_id, b.metal, b.at, b.lowest_ug
FROM (SELECT owner_id, metal, MIN(occurred_at) AS at, MIN(running) AS lowest_ug
      FROM (SELECT owner_id, metal, occurred_at,
                   SUM(SUM(mass_ug)) OVER (PARTITION BY owner_id, metal
                                           ORDER BY occurred_at) AS running
            FROM lots_claimentry WHERE owner_id <> {_HOUSE}
            GROUP BY owner_id, metal, occurred_at) history
      WHERE running < 0 GROUP BY owner_id, metal) b
LEFT JOIN lots_party p ON p.id = b.owner_id
"""

# All the metal in lots is either the pool, of which claims (the house's among them) say whose it
# is, or stands in a lot that is kept apart for a customer: holdings = claims + kept apart.
HOLDINGS_APART_FROM_CLAIMS: Final = f"""
SELECT metal, SUM(held_ug) AS holdings_ug, SUM(claim_ug) AS claims_ug, SUM(apart_ug) AS apart_ug
FROM (SELECT e.metal AS metal, e.mass_ug AS held_ug, 0 AS claim_ug,
             CASE WHEN l.owner_id = {_HOUSE} THEN 0 ELSE e.mass_ug END AS apart_ug
      FROM lots_entry e JOIN lots_lot l ON l.id = e.lot_id
      UNION ALL
      SELECT metal, 0, mass_ug, 0 FROM lots_claimentry) everything
GROUP BY metal HAVING SUM(held_ug) <> SUM(claim_ug) + SUM(apart_ug)
"""

HELD_FOR_ANOTHER: Final = """
SELECT l.code AS lot, e.lot_id, e.owner_id, l.owner_id AS lot_owner_id, e.metal,
       SUM(e.mass_ug) AS held_ug
FROM lots_entry e JOIN lots_lot l ON l.id = e.lot_id
WHERE e.owner_id <> l.owner_id
GROUP BY l.code, e.lot_id, e.owner_id, l.owner_id, e.metal HAVING SUM(e.mass_ug) <> 0
"""


def _line_times(table: str) -> str:
    return (
        f"SELECT '{table}' AS line, r.id AS line_id, r.movement_id, r.occurred_at AS at, "
        "r.recorded_at AS recorded "
        f"FROM lots_{table} r LEFT JOIN lots_movement m ON m.id = r.movement_id "
        "WHERE m.id IS NULL OR m.occurred_at <> r.occurred_at OR m.recorded_at <> r.recorded_at"
    )


TIMES_DIFFER: Final = " UNION ALL ".join(
    _line_times(table) for table in ("entry", "claimentry", "materialentry", "lotstanding")
)


def _order(table: str) -> str:
    return (
        f"SELECT '{table}' AS line, id AS line_id, movement_id, previous_movement_id FROM ("
        "SELECT id, movement_id, LAG(movement_id) OVER (ORDER BY id) AS previous_movement_id "
        f"FROM lots_{table}) lines WHERE movement_id < previous_movement_id"
    )


# The order of lines is part of what a digest covers, and keys are what orders them.
LINES_OUT_OF_ORDER: Final = " UNION ALL ".join(
    _order(table) for table in ("entry", "claimentry", "materialentry", "lotstanding")
)

SEQUENCE_BROKEN: Final = """
SELECT sequence, id AS movement_id, expected_sequence, recorded_at AS recorded
FROM (SELECT id, sequence, recorded_at,
             LAG(sequence, 1, 0) OVER (ORDER BY sequence) + 1 AS expected_sequence,
             LAG(recorded_at) OVER (ORDER BY sequence) AS recorded_before
      FROM lots_movement) chain
WHERE sequence <> expected_sequence OR recorded_at < recorded_before
"""


def _mirrored(table: str, *key: str, amounts: tuple[str, ...] = ("mass_ug",)) -> str:
    """Lines of a movement and of its reversal that have no exact opposite among the other's."""
    keys = ", ".join(f"r.{name} AS {name}" for name in key)
    positive = ", ".join(f"r.{name} AS {name}" for name in amounts)
    negative = ", ".join(f"-r.{name} AS {name}" for name in amounts)
    grouped = ", ".join(("reversal_id", "reversed_id", *key, *amounts))
    return (
        f"SELECT reversal_id, reversed_id, '{table}' AS line, SUM(side) AS unmatched FROM ("
        f"SELECT m.id AS reversal_id, m.reverses_id AS reversed_id, {keys}, {negative}, -1 AS side "
        f"FROM lots_movement m JOIN lots_{table} r ON r.movement_id = m.id "
        "WHERE m.reverses_id IS NOT NULL UNION ALL "
        f"SELECT m.id, m.reverses_id, {keys}, {positive}, 1 "
        f"FROM lots_movement m JOIN lots_{table} r ON r.movement_id = m.reverses_id "
        "WHERE m.reverses_id IS NOT NULL) AS sides "
        f"GROUP BY {grouped} HAVING SUM(side) <> 0"
    )


NOT_MIRRORED: Final = " UNION ALL ".join(
    (
        _mirrored("entry", "lot_id", "account_id", "owner_id", "metal"),
        _mirrored("claimentry", "owner_id", "metal"),
        _mirrored("materialentry", "lot_id", amounts=("mass_ug", "volume_ul")),
        "SELECT r.id, r.reverses_id, 'movement', 1 FROM lots_movement r "
        "LEFT JOIN lots_movement m ON m.id = r.reverses_id "
        "WHERE (r.kind = 'reversal') <> (r.reverses_id IS NOT NULL) "
        "OR m.sequence >= r.sequence OR m.occurred_at > r.occurred_at",
    )
)

STANDING_DIFFERS: Final = """
SELECT l.code AS lot, l.id AS lot_id, l.place_id AS lot_place_id, s.place_id,
       l.owner_id AS lot_owner_id, s.owner_id
FROM lots_lot l
LEFT JOIN (SELECT lot_id, place_id, owner_id,
                  ROW_NUMBER() OVER (PARTITION BY lot_id ORDER BY occurred_at DESC, id DESC) AS age
           FROM lots_lotstanding) s ON s.lot_id = l.id AND s.age = 1
WHERE s.lot_id IS NULL OR s.place_id <> l.place_id OR s.owner_id <> l.owner_id
"""

# A lot is at hand, in process or in quarantine exactly as long as it holds something; a vessel
# whose batch is open may be empty for a while.
STATE_DIFFERS: Final = """
SELECT l.code AS lot, l.id AS lot_id, l.state, CASE WHEN h.lot_id IS NULL THEN 0 ELSE 1 END AS holds
FROM lots_lot l
LEFT JOIN (SELECT lot_id FROM (
             SELECT lot_id, SUM(mass_ug) AS kept FROM lots_entry
             WHERE lot_id IS NOT NULL GROUP BY lot_id, metal
             UNION ALL SELECT lot_id, SUM(mass_ug) FROM lots_materialentry GROUP BY lot_id
             UNION ALL SELECT lot_id, SUM(volume_ul) FROM lots_materialentry GROUP BY lot_id) sums
           WHERE kept <> 0 GROUP BY lot_id) h ON h.lot_id = l.id
WHERE (l.state IN ('available', 'quarantined') AND h.lot_id IS NULL)
   OR (l.state NOT IN ('available', 'in_process', 'quarantined') AND h.lot_id IS NOT NULL)
"""

# Without its one row nobody could post, and no head would be one that agrees.
HEAD_DIFFERS: Final = """
SELECT h.last_sequence, m.sequence, h.last_digest, m.digest, h.last_recorded_at, m.recorded_at
FROM (SELECT 1 AS id) one
LEFT JOIN lots_ledgerhead h ON h.id = one.id
LEFT JOIN lots_movement m ON m.sequence = (SELECT MAX(sequence) FROM lots_movement)
WHERE h.id IS NULL OR h.last_sequence <> COALESCE(m.sequence, 0)
   OR (m.id IS NOT NULL AND (h.last_digest <> m.digest OR h.last_recorded_at IS NULL
                             OR h.last_recorded_at <> m.recorded_at))
"""
