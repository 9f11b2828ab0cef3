"""Many people at once against a real server, with or without things going wrong; then the books.

    python -m tests.stress.drive --requests 60 --writers 6
    python -m tests.stress.drive --requests 60 --writers 6 --kills 20 --seed 3
    python -m tests.stress.drive --database postgres://postgres@127.0.0.1:5432/drill --cuts 20

Writers compete for a few lots, post back-dated into last month while it is being closed, take
movements back, and send one request in five twice at the same moment; one person imports sheets,
and sends each once more with bytes damaged. `--kills` sends SIGKILL to the server and all its
workers so many times and starts it again; `--cuts` ends every connection of
the database (PostgreSQL only); `--fills` lets the database's files grow no further until clients
are told so (SQLite only). A client sends a request again, with its key, until it is answered.
Then `check_ledger` runs, and every acknowledged request must be on the books exactly once, as it
was acknowledged. Bounded in requests and in time; on loopback; exit code 1 when anything is wrong.
"""

from __future__ import annotations

import argparse
import datetime as dt
import random
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.stress.client import Client, Tally
from tests.stress.closer import Closer
from tests.stress.importer import Importer
from tests.stress.site import Site, prepare
from tests.stress.verdict import problems_after
from tests.stress.writer import Plan, Writer

HOT_LOTS = 3
HOT_LOT_GRAMS = 600
TIME_S_MAX = 900
# How much a file may still grow when the disk is all but full.
ROOM_BYTES = 64 * 1024


@dataclass(frozen=True)
class Drill:
    """How much is asked of the site, and what goes wrong meanwhile."""

    writers: int
    requests: int
    seed: int
    kills: int = 0
    cuts: int = 0
    fills: int = 0
    imports: int = 0
    database: str = ""


@dataclass(frozen=True)
class Outcome:
    tallies: list[Tally]
    problems: list[str]
    done: Counter[str]
    rounds_of_closing: int
    is_closed: bool
    seconds: float


def run_drill(drill: Drill, folder: Path) -> Outcome:
    """The whole drill in `folder`: prepare, work, disturb, judge."""
    prepare(folder, drill.database)
    site = Site(folder)
    site.start()
    began = time.monotonic()
    try:
        closer, writers, stop = _people(site, drill)
        importer = Importer(_signed_in(site, "manager", drill.seed + 1), drill.imports, drill.seed)
        threads = [
            threading.Thread(target=each.work, name=each.name, daemon=True)
            for each in [*writers, importer]
        ]
        half = drill.writers * drill.requests // 2
        closing = threading.Thread(
            target=closer.work,
            args=(stop, lambda: sum(each.done for each in writers) >= half),
            daemon=True,
        )
        for thread in [*threads, closing]:
            thread.start()
        done = _disturb(site, drill, threads, [each.client.tally for each in [*writers, importer]])
        for thread in threads:
            thread.join(timeout=max(1.0, TIME_S_MAX - (time.monotonic() - began)))
        # Nobody posts into the month any more, so now at the latest it can be closed.
        stop.set()
        closing.join(timeout=120)
        if not closer.is_closed:
            closer.try_once()
        late = [f"{thread.name} did not finish" for thread in threads if thread.is_alive()]
    finally:
        site.kill()
    clients = [each.client for each in writers] + [each.twin for each in writers]
    tallies = [each.tally for each in [*clients, *closer.clients, importer.client]]
    return Outcome(
        tallies=tallies,
        problems=late + problems_after(tallies),
        done=done,
        rounds_of_closing=closer.rounds,
        is_closed=closer.is_closed,
        seconds=time.monotonic() - began,
    )


def _people(site: Site, drill: Drill) -> tuple[Closer, list[Writer], threading.Event]:
    names = {"operator", "accountant", "manager"}
    clients = {name: _signed_in(site, name, drill.seed) for name in sorted(names)}
    hot_lots = []
    first_day = dt.datetime.now(dt.UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    long_ago = first_day - dt.timedelta(days=20)
    for number in range(HOT_LOTS):
        answer = clients["operator"].post(
            "receipts/",
            {
                **{"party": "brackwater", "owner": "tern-quay", "form": "granules"},
                **{"place": "feed-shelf", "declared": {"Ag": "900", "Cu": "100"}},
                "weight": {"gross": f"{HOT_LOT_GRAMS} g", "balance": "bench"},
                "occurred_at": long_ago.isoformat(),
            },
            f"hot-{number}",
        )
        assert answer is not None, "the site does not answer"
        assert answer.status < 300, answer.body
        hot_lots.append(answer.body["code"])
    plan = Plan(
        hot_lots=hot_lots,
        back_dated=long_ago + dt.timedelta(days=1),
        requests=drill.requests,
        seed=drill.seed,
    )
    writers = []
    for number in range(drill.writers):
        name = f"writer{number}"
        pair = [_signed_in(site, "operator", drill.seed + k) for k in (number, -number - 1)]
        writers.append(Writer(pair[0], plan, name, pair[1]))
    month = f"{long_ago:%Y-%m}"
    return Closer(clients["accountant"], clients["manager"], month), writers, threading.Event()


def _signed_in(site: Site, name: str, seed: int) -> Client:
    client = Client(site.address, name, seed)
    client.sign_in()
    return client


def _disturb(
    site: Site, drill: Drill, threads: Sequence[threading.Thread], tallies: Sequence[Tally]
) -> Counter[str]:
    """Kills, cuts and full disks at random moments, as long as somebody still works."""
    chance = random.Random(drill.seed)
    kinds = ["kill"] * drill.kills + ["cut"] * drill.cuts + ["fill"] * drill.fills
    chance.shuffle(kinds)
    done: Counter[str] = Counter()
    for kind in kinds:
        time.sleep(chance.uniform(0.05, 0.8))
        if not any(thread.is_alive() for thread in threads):
            break
        if kind == "kill":
            site.kill()
            site.start()
        elif kind == "cut":
            cut_connections(drill.database)
        else:
            _fill(site, threads, tallies)
        done[kind] += 1
    return done


def _fill(site: Site, threads: Sequence[threading.Thread], tallies: Sequence[Tally]) -> None:
    """The server's files may not grow, until somebody was told so; then there is room again."""

    def told() -> int:
        return sum(tally.busy["storage_full"] for tally in tallies)

    before, until = told(), time.monotonic() + 30
    site.kill()
    site.start(file_bytes_max=site.largest_file_bytes() + ROOM_BYTES)
    while told() < before + 3 and any(each.is_alive() for each in threads):
        if time.monotonic() > until:
            break
        time.sleep(0.05)
    site.kill()
    site.start()


def cut_connections(database: str) -> None:
    """Ends every connection to the database but the one that asks for it."""
    import psycopg  # noqa: PLC0415 - SQLite needs none

    base, name = database.rsplit("/", 1)
    with psycopg.connect(f"{base}/postgres", autocommit=True) as connection:
        connection.execute(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = %s", [name]
        )


def report(outcome: Outcome) -> str:
    """The counts, in the words of the table in docs/benchmarks.md."""
    tallies = outcome.tallies
    refusals = Counter(code for tally in tallies for code in tally.refused.values())
    acknowledged = {key for tally in tallies for key in tally.acknowledged}
    later = sum((tally.busy for tally in tallies), Counter[str]())
    lines = [
        f"requests sent {sum(t.sent for t in tallies)}, acknowledged {len(acknowledged)}, "
        f"refused {sum(refusals.values())}, answers lost {sum(t.lost for t in tallies)}, "
        f"told to come again {sum(later.values())}",
        f"kills {outcome.done['kill']}, connections cut {outcome.done['cut']}, disks filled "
        f"{outcome.done['fill']}, rounds of closing the month {outcome.rounds_of_closing}, "
        f"closed: {'yes' if outcome.is_closed else 'no'}, {outcome.seconds:.0f} s",
        f"refused: {_listed(refusals)}",
        f"come again: {_listed(later)}",
        f"lost, doubled or unsound: {len(outcome.problems)}",
    ]
    return "\n".join([*lines, *outcome.problems[:20]])


def _listed(counts: Counter[str]) -> str:
    return ", ".join(f"{name} {number}" for name, number in counts.most_common()) or "nothing"


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--writers", type=int, default=6)
    parser.add_argument("--requests", type=int, default=60, help="Of each writer.")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--imports", type=int, default=6, help="Sheets of 15 receipts.")
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--cuts", type=int, default=0)
    parser.add_argument("--fills", type=int, default=0)
    parser.add_argument("--database", default="", help="PostgreSQL URL; made again, mind.")
    options = parser.parse_args(arguments)
    if options.cuts and not options.database:
        parser.error("--cuts needs --database: SQLite has no connections to cut")
    if options.fills and options.database:
        parser.error("--fills limits the server's own files, and PostgreSQL's are not its own")
    with tempfile.TemporaryDirectory(prefix="drill-") as folder:
        outcome = run_drill(Drill(**vars(options)), Path(folder))
    print(report(outcome))  # noqa: T201 this is what it is run for
    return 1 if outcome.problems else 0


if __name__ == "__main__":
    sys.exit(main())
