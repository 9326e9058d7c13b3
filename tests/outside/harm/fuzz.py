"""Doors fed with changed files: the runs that `tests/fuzz/run` makes, counted here with all other harm."""

import pathlib
import re
import subprocess

from harm.session import Row

RUN = pathlib.Path(__file__).resolve().parents[2] / "fuzz" / "run"


def rows(runs):
    row = Row("changed files at the doors")
    ran = subprocess.run([RUN, str(runs)], capture_output=True, text=True)
    each = {door: int(count) for door, count in re.findall(r"^(\w+): (\d+) runs without a crash", ran.stdout, re.M)}
    row.tried = sum(each.values())
    row.note = ", ".join(f"{door} {count}" for door, count in each.items())
    if ran.returncode != 0:
        row.count("seed 1", [(ran.stdout + ran.stderr).strip()[-400:]])
    yield row
