"""Would the tests notice? Makes small changes to the product, and runs the tests that see each.

    python -m tests.studies.mutants --seed 7 --changes 400 --slice 1/4 --jobs 2
    python -m tests.studies.mutants --seed 7 --changes 400 --survivors
    python -m tests.studies.mutants --seed 7 --changes 400 --survivors --database postgres://...
    python -m tests.studies.mutants 'lots/services/*.py' --seed 7 --changes 50

The first takes a quarter of 400 changes drawn by the seed, half of them from the modules that
matter most, and prints score and survivors of all slices so far; what was judged before a stop is
not judged again. The second tries the survivors again, after tests were added; the third does so
on PostgreSQL, where locks and triggers show. The first run, and the next after a change of the
product, runs the whole suite to learn which test runs which line. What is kept is in var/mutants.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
import tomllib
from collections import Counter, deque
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from tests.studies.mutants.changes import Change, changes
from tests.studies.mutants.seen import ALWAYS, Seen, product
from tests.studies.mutants.trial import ANSWER, NO_TEST, PASSED

FOLDER = Path("var/mutants")
CANNOT_MATTER = Path(__file__).with_name("cannot_matter.toml")
GROUPS = ("kernel", "elsewhere")
# The ledger, sealing, rulings, settlement, uncertainty, propagation, permissions, keys.
KERNEL = (
    "lots/ledger/*.py", "lots/people/*.py", "lots/measurements/*.py",
    "lots/keeping/sealed_tables.py",
    "lots/models/ledger.py", "lots/services/taking.py", "lots/services/changed_hands.py",
    "reports/settle*.py", "reports/services/settle*.py", "reports/queries/lot/settlement_*.py",
    "reports/statistics/uncertainty.py", "reports/statistics/covariance.py",
    "reports/statistics/propagation.py", "reports/queries/month/*_uncertainty.py",
    "reports/services/sign*.py", "reports/signatures.py", "reports/queries/month/signed_*.py",
)  # fmt: skip
# The settings are each site's own, and the demo is data.
LEFT_OUT = ("config/settings.py", "reports/demo/*.py", "manage.py")
SURVIVED = {PASSED, NO_TEST}
Row = dict[str, Any]


def main() -> None:
    options = _options()
    FOLDER.mkdir(parents=True, exist_ok=True)
    drawn = draw(options.modules, options.seed, options.changes)
    named = "".join([*(path.read_text() for path in product()), *(row["id"] for row, _ in drawn)])
    digest = hashlib.sha256(named.encode()).hexdigest()[:12]
    results = FOLDER / f"results-{options.seed}-{digest}.jsonl"
    judged = _judged(results)
    part, parts = map(int, options.slice.split("/"))
    todo = [
        (row, change)
        for row, change in drawn[part - 1 :: parts]
        if not row["reason"] and _is_due(judged.get(row["id"]), options.survivors)
    ]
    if todo:
        judge(todo, results, options)
    sys.stdout.write(report([row | _judged(results).get(row["id"], {}) for row, _ in drawn]))


def draw(modules: list[str], seed: int, count: int) -> list[tuple[Row, Change]]:
    """Changes by the seed, one a line at most; half of them in the kernel, when it has so many."""
    pools: dict[str, dict[tuple[str, int], tuple[int, Change]]] = {group: {} for group in GROUPS}
    chance = random.Random(seed)
    for path in product():
        if _matches(path, modules or ["*.py"]) and (modules or not _matches(path, LEFT_OUT)):
            found = [*enumerate(changes(path)[1])]
            chance.shuffle(found)
            pool = pools[GROUPS[not _matches(path, KERNEL)]]
            pool.update(
                {(change.module, change.line): (number, change) for number, change in found}
            )
    sizes = [len(pools[group]) for group in GROUPS]
    kernel = min(sizes[0], max(count // 2, count - sizes[1]))
    listed = tomllib.loads(CANNOT_MATTER.read_text())["change"]
    reasons = {(each["module"], each["function"], each["text"]): each["reason"] for each in listed}
    drawn = []
    for group, most in zip(GROUPS, (kernel, min(sizes[1], count - kernel)), strict=True):
        for number, change in chance.sample([*pools[group].values()], most):
            row = {
                "id": f"{change.module}:{change.line} {change.function} {change.text}",
                "group": group, "module": change.module, "number": number,
                "reason": reasons.get((change.module, change.function, change.text)),
            }  # fmt: skip
            drawn.append((row, change))
    chance.shuffle(drawn)
    return drawn


def judge(todo: list[tuple[Row, Change]], results: Path, options: argparse.Namespace) -> None:
    """Tries each change, in several processes side by side; every answer is kept at once."""
    if options.database:
        os.environ["DATABASE_URL"] = options.database
    seen = Seen(FOLDER / ("postgresql" if options.database else "sqlite"))
    seen.refresh(options.jobs)
    asked = [row | _tests(change, seen, options.cap) for row, change in todo]

    def one(job: int) -> None:
        copy = FOLDER / f"copy-{job}"
        shutil.rmtree(copy, ignore_errors=True)
        orders = FOLDER / f"orders-{job}.json"
        own = {"DATABASE_URL": f"{options.database}_{job}"} if options.database else {}
        fresh = {"DATABASE_URL": f"{options.database}_fresh_{job}"} if options.database else {}
        share = asked[job :: options.jobs]
        told = {"changes": share, "seconds": seen.seconds, "patience": options.patience,
                "copy": str(copy.resolve()), "fresh": fresh}  # fmt: skip
        orders.write_text(json.dumps(told))
        server = subprocess.Popen(
            [sys.executable, "-m", "pytest", *ALWAYS, "-p", "tests.studies.mutants.trial", "-s",
             "-p", "no:xdist", f"--basetemp={copy.resolve()}.tmp"],
            env={**os.environ, **own, "MUTANTS_ORDERS": str(orders), "OPENBLAS_NUM_THREADS": "1"},
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        answered, other = 0, deque[str](maxlen=60)
        for line in server.stdout or ():
            other.append(line)
            if line.startswith(ANSWER):
                answered += 1
                with results.open("a") as file:
                    file.write(line.removeprefix(ANSWER))
                answer = json.loads(line.removeprefix(ANSWER))
                sys.stderr.write(f"{answer['outcome']:10} {answer['s']:5.1f} s  {answer['id']}\n")
        if server.wait() or answered < len(share):
            ended = f"A process ended with {server.returncode} after {answered} answers"
            raise RuntimeError(f"{ended}:\n{''.join(other)}")

    with ThreadPoolExecutor(options.jobs) as pool:
        list(pool.map(one, range(options.jobs)))


def report(rows: list[Row]) -> str:
    """Score by group, and each survivor with how many tests it met of those that see it."""
    lines = [f"{'':12}{'changes':>9}{'cannot matter':>15}{'judged':>8}{'caught':>8}{'score':>9}"]
    for group in (*GROUPS, "all"):
        mine = [row for row in rows if group in {row["group"], "all"}]
        met = [row for row in mine if "outcome" in row and not row["reason"]]
        caught = sum(row["outcome"] not in SURVIVED for row in met)
        lines.append(
            f"{group:12}{len(mine):9}{sum(bool(row['reason']) for row in mine):15}{len(met):8}"
            f"{caught:8}{100 * caught / (len(met) or 1):7.1f} %"
        )
    outcomes = Counter(row["outcome"] for row in rows if "outcome" in row)
    lines += ["", ", ".join(f"{name} {count}" for name, count in sorted(outcomes.items())), ""]
    lines += [
        f"{row['group']:10} {row['id']}  ({row['ran']} of {row['see']} tests)"
        for row in sorted(rows, key=lambda row: (row["group"] != GROUPS[0], row["id"]))
        if row.get("outcome") in SURVIVED and not row["reason"]
    ]
    return "\n".join(lines) + "\n"


def _tests(change: Change, seen: Seen, cap: float) -> Row:
    """Tests that see the change, up to a cap: of its module, of its folder, then the quickest."""
    path = Path(change.module)
    tests, early = seen.by(change.module, change.lines)
    if not tests and (change.early or early):
        # It runs only while it is imported; those who import it use what it names.
        dotted = ".".join(path.with_suffix("").parts)
        for user in product():
            if f"from {dotted} import" in user.read_text():
                tests |= seen.by(user.as_posix(), range(1, len(user.read_text().split("\n"))))[0]
    own = (f"/test_{path.stem}.", f"tests/{path.parent}/")
    ordered = sorted(
        tests, key=lambda test: (*(part not in test for part in own), seen.seconds[test])
    )
    chosen: list[str] = []
    total = 0.0
    for test in ordered:
        total += seen.seconds[test]
        if chosen and total > cap:
            break
        chosen.append(test)
    return {"tests": chosen, "see": len(tests), "early": change.early or early}


def _is_due(answer: Row | None, survivors: bool) -> bool:
    return answer["outcome"] in SURVIVED if survivors and answer else not (survivors or answer)


def _judged(results: Path) -> dict[str, Row]:
    lines = results.read_text().splitlines() if results.exists() else []
    return {row["id"]: row for row in map(json.loads, lines)}


def _matches(path: Path, patterns: Sequence[str]) -> bool:
    return any(path.match(pattern) for pattern in patterns)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.studies.mutants", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument(
        "modules", nargs="*", help="patterns such as lots/services/*.py; without any, all modules"
    )
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--changes", type=int, default=400, help="how many are drawn")
    parser.add_argument("--slice", default="1/1", help="which part of them to judge now, as in 2/4")
    parser.add_argument(
        "--survivors", action="store_true", help="judge those again that survived so far"
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument(
        "--cap", type=float, default=60.0, help="seconds of tests that one change may meet"
    )
    parser.add_argument(
        "--patience", type=float, default=30.0, help="seconds before a trial counts as endless"
    )
    parser.add_argument("--database", default="", help="a PostgreSQL server, by any database of it")
    return parser.parse_args()


if __name__ == "__main__":
    main()
