"""Packages held against the `bagit` package from PyPI: plain, with names that need care, without results, gone on with after a kill."""

import random
import shutil

from harm import kills
from harm.session import Row, digests


def rows(bench):
    row, rng = Row("bags validated by bagit"), random.Random(f"{bench.seed} bags")
    session = bench.session("bags")
    bag = bench.folder / "bag"

    def pack(label, *more):
        ran = bench.run("archive", session, "--to", bag, "--json", *more)
        said = [f"archive ended with {ran.status}: {ran.message}"] if ran.status else kills.whole_bag(bench, bag)
        said += [] if said else _captures(session, bag)
        row.count(label, said)
        shutil.rmtree(bag, ignore_errors=True)
        return ran.seconds

    pack("without results")
    bench.sound("digitize", session)
    pack("with results")
    for name in ("löwe 光.jpg", "tide low  .jpg", "-dash.jpg", "a" * 200 + ".jpg", "deep/er/and deeper.jpg", "empty.jpg"):
        path = session / "captures" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"" if name == "empty.jpg" else name.encode())
    pack("names in other scripts, with spaces, long, deep, and an empty file")
    elsewhere = bench.folder / "elsewhere"
    shutil.move(session / "out", elsewhere)
    whole = pack("results elsewhere", "--out", elsewhere)
    shutil.move(elsewhere, session / "out")
    resumed = 0
    while resumed < 4:
        work = bench.folder / ".hyaline-bag.part"
        moment = rng.uniform(0, whole)
        if kills.killed(bench, ("archive", session, "--to", bag), moment) and work.exists() and any(work.rglob("*.*")):
            resumed += 1
            pack(f"gone on with after a kill at {moment:.4f} s")
        shutil.rmtree(bag, ignore_errors=True)
    row.note = f"{resumed} of them gone on with after a kill"
    yield row


def _captures(session, bag):
    """Captures lie in the package byte for byte."""
    there = digests(bag / "data" / "captures")
    return [] if there == digests(session / "captures") else ["the captures in it are not those of the session"]
