"""Command lines that are wrong or ask for what cannot be, and places whose names are hard to print."""

import os
import shutil

from harm.kind import Kind

# `S` stands for the session. These are wrong in themselves: exit status 2.
WRONG = """
digitise
digitize --nothing
digitize S --out
digitize --jobs 0
digitize --jobs -1
digitize --jobs 99999
digitize --jobs many
check a b
plan
plan --plate 4x5in
plan --plate 4x5in --pixels many
measure
measure a.tif --patch 1,2
measure a.tif --patch a,b,c,d
calibrate
calibrate wedge
completions klingon
archive S
record
new
compare S --match hats
"""

# Numbers that may be refused or not; a message names one of the line's own words.
STRANGE = """
plan --plate 4x5in --pixels 0x0
plan --plate 4x5in --pixels 1x1
plan --plate 4x5in --pixels 99999999999x99999999999
plan --plate nothing --pixels 4032x3024
plan --plate 0x0mm --pixels 4032x3024
plan --plate 1x100000mm --pixels 4032x3024
plan --plate 4x5in --pixels 4032x3024 --ppi nan
plan --plate 4x5in --pixels 4032x3024 --ppi 0
plan --plate 4x5in --pixels 4032x3024 --ppi -5
plan --plate 4x5in --pixels 4032x3024 --ppi 1e308
plan --plate 4x5in --pixels 4032x3024 --ppi 1e7
plan --plate 4x5in --pixels 4032x3024 --ppi 1200 --overlap 200%
plan --plate 4x5in --pixels 4032x3024 --ppi 1200 --overlap -1
plan --plate 4x5in --pixels 4032x3024 --ppi 1200 --overlap nan
plan --plate 4x5in --pixels 4032x3024 --ppi 1200 --overlap 99.99%
plan --plate 4x5in --pixels 4032x3024 --margin 1e308
plan --plate 4x5in --pixels 4032x3024 --pixel-um 0 --f-number 0
calibrate lens S/captures/k01-a.jpg --grid 0x0,0 --to S/p.toml
calibrate lens S/captures/k01-a.jpg --grid 999999999x99999,1 --to S/p.toml
calibrate tablet S/captures/k01-a.jpg --steps 0x0 --to S/p.toml
calibrate tablet S/captures/k01-a.jpg --steps 21x0.15 --to S/p.toml
calibrate response S/captures/k01-a.jpg --to S/p.toml
calibrate response S/session.toml --to S/p.toml
"""

# These ask for what is not there or cannot be; a message names the line's last word.
IN_VAIN = """
digitize no-such-folder
digitize S --plate K-99
digitize S --out S/session.toml
digitize S --out /dev/null/out
digitize S --out /proc/out
check S/captures
compare S --plates K-01,K-09
compare S --plates K-01
verify no-such
verify S/captures
record no-such.tif
record S
record S/session.toml
measure --field all S
measure --field all S/session.toml
measure --field all S/out/K-01/K-01-negative.tif --page /dev/null/p.html
archive S --to S
archive S --to S/captures
archive S --to S/session.toml
archive S --to S/out/bag
archive S --to /dev/null/bag
archive S --to /
new no-such
new S --to ../other.toml
new S --to other.toml --field-notes no-such.csv
demo S/session.toml
plan --plate 4x5in --pixels 4032x3024 --ppi 1200 --svg /dev/null/tiles.svg
manual /dev/null/man
"""

NAMES = (b"two\nlines", b"\x1b[31mred\x07", b"no\xff\xfeutf", "löwe 光".encode(), b"-rf", b"a" * 250, b"100%25 * [?]")


def kinds():
    yield Kind("line: nothing", _line(""), (2,))
    for line in WRONG.split("\n")[1:-1]:
        yield _kind(line, (2,))
    for line in STRANGE.split("\n")[1:-1]:
        yield _kind(line, (0, 1, 2), tuple(word.strip("-S/") for word in line.split()[1:]))
    for line in IN_VAIN.split("\n")[1:-1]:
        last = line.split()[-1]
        # A folder that cannot be made is named as far as it could not.
        named = ("/kind",) if last == "S" else ("/dev/null",) if "/dev/null" in last else tuple(last.removeprefix("S/").split(","))
        yield _kind(line, (1, 2), named)
    for places in ("nan,nan,nan,nan", "-5,-5,1e9,1e9", "0,0,0,0", "1e308,1e308,1e308,1e308", "99999,99999,5,5", "5,5,-1,-1", "inf,0,1,1"):
        for what in ("patch", "edge", "field"):
            yield _kind(f"measure S/out/K-01/K-01-negative.tif --px --{what}={places}", (0, 1, 2), ("K-01-negative.tif", what))
    for line in ("verify S/out", "digitize S --json", "plan --plate 4x5in --pixels 4032x3024"):
        yield _kind(line, (1,), ("No space left",), prints_to="/dev/full")
    yield Kind("line: a folder whose name is no UTF-8", lambda s, r: ("digitize", os.fsdecode(b"no\xff\xfe")), (1, 2), ("no",))
    for name in NAMES:
        yield from _places(os.fsdecode(name))


def _kind(line, status, named=(), prints_to=None):
    label = f"line: `{line}`" + (f" > {prints_to}" if prints_to else "")
    return Kind(label, _line(line), status, named, base="done", prints_to=prints_to)


def _line(line):
    def arguments(session, rng):
        return tuple(str(session) + word[1:] if word == "S" or word.startswith("S/") else word for word in line.split())

    return arguments


def _places(name):
    def moved(session, rng):
        other = session / name
        shutil.copytree(session / "captures", other / "captures")
        shutil.copy(session / "session.toml", other)
        return "digitize", other

    def added(session, rng):
        (session / "captures" / name).write_bytes(b"x")
        return "archive", session, "--to", session / "bag"

    yield Kind(f"place: the session in {name[:20]!r}", moved)
    yield Kind(f"place: a capture called {name[:20]!r}", added, named=("captures",), base="done")
