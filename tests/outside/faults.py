"""Does harm to sessions, results and packages in every way we know, and prints what of it the built program survived.

    python faults.py [--program target/release/hyaline] [--kills 200] [--flips 150] [--kinds 700]
        [--seed 1] [--only kills flips kinds bags together fuzz] [--quick] [--json]

Every figure is measured by the run that prints it. Exit status 1 when anything did not hold; each failure is told with its seed and
what was done, and `--seed` brings it back. `--quick` is for every day: fewer of everything, chosen by the
seed. The harm itself is in `harm/`, one file a kind.
"""

import argparse
import json
import os
import pathlib
import sys
import tempfile
import time

from harm import bags, flips, fuzz, kills, kinds, together
from harm.session import Bench


def rows(bench, args):
    harms = {"kills": lambda: kills.rows(bench, args.kills), "flips": lambda: flips.rows(bench, args.flips),
             "kinds": lambda: kinds.rows(bench, args.kinds, args.like), "bags": lambda: bags.rows(bench),
             "together": lambda: together.rows(bench, args.times), "fuzz": lambda: fuzz.rows(args.runs)}
    # Fuzzing builds the program anew, with counters: `tests/run --fuzz` does that for every day.
    for name in args.only or [name for name in harms if name != "fuzz" or not args.quick]:
        yield from harms[name]()


def line(row):
    return f"{'ok  ' if not row.failures else 'FAIL'} {row.what:48} {row.tried:6} {row.held:6} {row.seconds:8.1f}   {row.note}"


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--program", default=os.environ.get("HYALINE", "target/release/hyaline"))
    asked.add_argument("--kills", type=int, help="that meet a living process")
    asked.add_argument("--flips", type=int, help="of a package, and as many of results")
    asked.add_argument("--kinds", type=int, help="of bad input; fewer than there are stand for all")
    asked.add_argument("--like", metavar="TEXT", help="only those kinds of bad input whose label holds this")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--only", nargs="+", choices=["kills", "flips", "kinds", "bags", "together", "fuzz"])
    asked.add_argument("--runs", type=int, default=10000, help="of each door that is fed with changed files")
    asked.add_argument("--quick", action="store_true")
    asked.add_argument("--json", action="store_true", help="the same for programs, on standard output")
    args = asked.parse_args()
    args.times = 3 if args.quick else 12
    for name, full, quick in (("kills", 200, 25), ("flips", 150, 40), ("kinds", 700, 120)):
        if getattr(args, name) is None:
            setattr(args, name, quick if args.quick else full)
    program = str(pathlib.Path(args.program).resolve())
    if not os.access(program, os.X_OK):
        asked.error(f"no program at {program}: cargo build --release")
    told = sys.stderr if args.json else sys.stdout
    print(f"     {'what':48} {'tried':>6} {'held':>6} {'seconds':>8}   seed {args.seed}", file=told, flush=True)
    done = []
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        made, began = rows(Bench(program, pathlib.Path(folder), args.seed), args), time.monotonic()
        for row in made:
            row.seconds, began = time.monotonic() - began, time.monotonic()
            done.append(row)
            print(line(row), file=told, flush=True)
    failures = [failure for row in done for failure in (f"{row.what}: {f}" for f in row.failures)]
    for failure in failures:
        print(f"  - {failure}", file=told)
    print(f"faults: {sum(r.tried for r in done)} tried, {sum(r.held for r in done)} held", file=told)
    if args.json:
        print(json.dumps([vars(row) | dict(held=row.held, seconds=round(row.seconds, 1)) for row in done], indent=1))
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
