"""Notes that are wrong: slips and hostile ones by hand, then values of the wrong kind for every key, as chance has it."""

import os

from harm.kind import Kind

# Every key of the notes, so that each can be harmed.
FULL = """[session]
title = "Lime kiln at the ebb"
date = 2026-03-14
place = "North bank, salt marsh"
photographer = "A. Nobody"
rights = "CC BY 4.0"

[copy]
blank = ["captures/blank-*.jpg"]
profile = "srgb"
emulsion = "toward-camera"

[base]
from = "rebate"
scope = "batch"

[positive]
tone = "paper"

[[plate]]
id = "K-01"
size = "165.1x120.65mm"
captures = ["captures/k01-a.jpg"]
rotate = 180
notes = "tide half out"

[plate.exposure]
ei = 2.0
shutter = "3"
aperture = 22.0
focal_length_mm = 210.0
lens = "rapid rectilinear"
filter = "none"
filter_stops = 0.0
bellows_mm = 225.0
time = 2026-03-14T15:40:00+00:00
latitude = 54.1
longitude = -2.8
holder = "7 left"

[plate.development]
developer = "metol-hydroquinone"
dilution = "1+15"
temperature_c = 20.0
minutes = 7.5
agitation = "continuous tray"
fixer_dilution = "1+4"
fix_minutes = 8.0

[[plate]]
id = "K-02"
size = "165.1x120.65mm"
captures = ["captures/k02-a.jpg"]
"""

VALUES = ['"text"', '""', "true", "7", "-1", "0", "0.0", "-0.0", "nan", "inf", "-inf", "1e308", "5e-324", "9223372036854775807",
          "2026-03-14", "2026-13-45", "15:40:00", "[]", "[[]]", '["text"]', "[1, 2, 3]", "{}", "{ a = 1 }", '"\\u0000"',
          '"\\u001b[31m\\u0007"', '"../../etc/passwd"', '"\\u202Eevil"', '"1/0"', '"-1/4"', '"1:15"',
          '"0+0"', '"1e400"', '"0x0mm"', '"99999999x99999999mm"', '"💥"', f'"{"x" * 10_000}"']


def write_in_full(session):
    (session / "session.toml").write_text(FULL)


def by_chance(rng, count):
    """Keys with values of the wrong kind."""
    lines = [line for line in FULL.splitlines() if " = " in line]
    pairs = [(line, value) for line in lines for value in VALUES]
    for line, value in rng.sample(pairs, min(len(pairs), max(0, count))):
        key = line.split(" = ")[0]
        yield Kind(f"notes: `{line}` as {key} = {value[:40]}", _edit(line, f"{key} = {value}"), named=("session.toml", "captures"))


def _edit(old, new):
    def harm(session, rng):
        path = session / "session.toml"
        text = path.read_text()
        assert old in text, old
        path.write_text(text.replace(old, new, 1))

    return harm


def _raw(make):
    """The notes as bytes."""

    def harm(session, rng):
        path = session / "session.toml"
        path.write_bytes(make(path.read_bytes(), rng))

    return harm


def _refused(label, harm, *named):
    return Kind("notes: " + label, harm, status=(1,), named=named)


def kinds():
    for key in ("title", "photographer", "blank", "emulsion", "tone", "scope", "captures", "shutter", "aperture", "dilution", "minutes"):
        slip = key[:-2] + key[-1] + key[-2] + "e"
        yield _refused(f"{key} misspelt", _edit(f"\n{key} = ", f"\n{slip} = "), slip)
    for table in ("session", "copy", "base", "positive", "plate.exposure", "plate.development"):
        yield _refused(f"table {table} misspelt", _edit(f"[{table}]", f"[{table}x]"), table + "x", table.split(".")[-1] + "x")
    for key in ("id", "size", "captures", "blank", "emulsion"):
        line = next(line for line in FULL.splitlines() if line.startswith(key + " = "))
        # Without a side of the emulsion the run goes on, and says so.
        yield Kind(f"notes: no {key}", _edit(line + "\n", ""), status=(0, 1) if key == "emulsion" else (1,), named=(key,))
    yield _refused("one id twice", _edit("K-02", "K-01"), "K-01")
    yield Kind("notes: ids that differ in capitals alone", _edit('id = "K-02"', 'id = "k-01"'), named=("k-01",))
    for id in ("../K-01", "K 01", "", ".", "..", "compare", "K/01", "CON", "K-01\\u0000", "ü", "x" * 300):
        yield Kind(f"notes: id {id[:20]!r}", _edit('id = "K-01"', f'id = "{id}"'), status=(0, 1) if id in ("compare", "CON") else (1,),
                   named=("session.toml",))
    for path in ("../../secret.jpg", "/etc/passwd", "captures/../../x.jpg", "~/x.jpg", "captures\\\\k01.jpg", "\\u0000.jpg",
                 "captures/k01-a.jpg/", "", "captures", "captures/[", "captures/nothing-*.jpg", "**/nothing",
                 "*" * 2000, "http://example.org/k01.jpg"):
        yield _refused(f"captures = {path[:30]}", _edit('"captures/k01-a.jpg"', f'"{path}"'), "session.toml")
    yield Kind("notes: blank = everything", _edit('"captures/blank-*.jpg"', '"**/*"'), named=("session.toml", "captures"))
    yield Kind("notes: one capture for two plates", _edit("k02-a", "k01-a"), named=("k01-a",))
    yield Kind("notes: a plate's frame as the blank", _edit("blank-*", "k01-a"), named=("captures",))
    yield Kind("notes: one capture twice", _edit('["captures/k01-a.jpg"]', '["captures/k01-a.jpg", "captures/k01-a.jpg"]'),
               named=("k01-a", "K-01"))
    for corners in ("[[0,0],[1,0],[1,1],[0,1]]", "[[0,0],[0,0],[0,0],[0,0]]", "[[nan,0],[9,0],[9,9],[0,9]]",
                    "[[-1e9,0],[1e9,0],[1e9,1e9],[0,1e9]]", "[[0,0],[600,400],[600,0],[0,400]]", "[[0,0]]", "[]",
                    "[[0,0],[1e308,0],[1e308,1e308],[0,1e308]]"):
        yield Kind(f"notes: corners_px = {corners}", _edit("rotate = 180", f"corners_px = {corners}"),
                   named=("session.toml", "k01-a", "corners_px"))
    for opaque in ('{ capture = "captures/k01-a.jpg", rect_px = [0, 0, 0, 0] }',
                   '{ capture = "captures/k01-a.jpg", rect_px = [-5, -5, 1e9, 1e9] }',
                   '{ capture = "captures/none.jpg", rect_px = [0, 0, 9, 9] }',
                   '{ capture = "captures/k01-a.jpg", rect_px = [9e18, 0, 9e18, 9] }', "{}"):
        yield Kind(f"notes: opaque = {opaque}", _edit("[base]", f"opaque = {opaque}\n[base]"), named=("session.toml", "opaque", "k01-a"))
    for base in ("density = -5.0", "density = nan", "density = 99.0", 'rect_mm = [0, 0, 1e9, 1e9]\nplate = "K-01"',
                 'rect_mm = [1, 1, 2, 2]\nplate = "K-09"', "rect_mm = [1, 1, 2, 2]",
                 'rect_mm = [nan, 1, 2, 2]\nplate = "K-01"', 'rect_mm = [1, 1, 0, 0]\nplate = "K-01"', ""):
        yield Kind(f"notes: [base] {base!r}", _edit('from = "rebate"', base), named=("session.toml", "base", "captures"))
    for ppi in ("0", "-1", "1", "nan", "inf", "1e9", "100000", "1e-9", "1e308", '"1200"'):
        yield Kind(f"notes: ppi = {ppi}", _edit('tone = "paper"', f"ppi = {ppi}"), named=("session.toml", "ppi", "captures"))
    for size in ("0x0mm", "-4x5in", "4x5", "nan x nan mm", "1e308x1e308mm", "4x5x6in", "165.1mm", "no such plate", "1x100000mm",
                 "1e-300x1e-300mm"):
        yield Kind(f"notes: size = {size}", _edit('"165.1x120.65mm"', f'"{size}"'), named=("session.toml", "k01-a"))
    for bracket in ('plates = ["K-01", "K-09"]', 'plates = ["K-01"]', "plates = []", 'plates = ["K-01", "K-01"]',
                    'plates = ["K-01", "K-02"]\nmatch = "x"', ""):
        yield _refused(f"[[bracket]] {bracket!r}", _edit("[[plate]]", f"[[bracket]]\n{bracket}\n[[plate]]"), "session.toml")
    yield from _bytes()


def _bytes():
    """What is wrong with the notes as a file."""
    yield _refused("not UTF-8", _raw(lambda b, r: b + b"# \xff\xfe\n"), "UTF-8")
    yield _refused("UTF-16", _raw(lambda b, r: b.decode().encode("utf-16")), "session.toml")
    yield Kind("notes: a byte order mark", _raw(lambda b, r: b"\xef\xbb\xbf" + b), named=("session.toml",))
    yield Kind("notes: lines ended as in DOS", _raw(lambda b, r: b.replace(b"\n", b"\r\n")), status=(0,))
    yield _refused("empty", _raw(lambda b, r: b""), "session.toml")
    yield _refused("zeros", _raw(lambda b, r: bytes(1000)), "session.toml")
    yield _refused("noise", _raw(lambda b, r: r.randbytes(5000)), "session.toml")
    yield _refused("a picture", _raw(lambda b, r: b"\xff\xd8\xff\xe0" + b), "session.toml")
    yield _refused("100 000 brackets deep", _raw(lambda b, r: b + b"x = " + b"[" * 100_000), "session.toml")
    yield _refused("100 000 braces deep", _raw(lambda b, r: b + b"x = " + b"{a=" * 100_000), "session.toml")
    yield _refused("a key of 50 000 parts", _raw(lambda b, r: b + b"a." * 50_000 + b"a = 1\n"), "session.toml")
    yield _refused("a key of a megabyte", _raw(lambda b, r: b + b"a" * 1_000_000 + b" = 1\n"), "session.toml")
    many = b"".join(b'[[plate]]\nid = "P-%d"\nsize = "4x5in"\ncaptures = ["captures/p%d.jpg"]\n' % (i, i) for i in range(20_000))
    yield _refused("20 000 plates that are not there", _raw(lambda b, r: b + many), "session.toml")
    yield _refused("[session] twice", _raw(lambda b, r: b + b"[session]\n"), "session")
    yield _refused("a string that never ends", _raw(lambda b, r: b + b'x = "'), "session.toml")
    for share in (0.2, 0.5, 0.8):
        yield Kind(f"notes: cut at {share:.0%}", _raw(lambda b, r, s=share: b[: int(s * len(b))]), named=("session.toml",))
    for n in range(12):
        yield Kind(f"notes: 3 bytes as chance has it, {n}", _raw(_spoilt), named=("session.toml", "captures"))

    def folder(session, rng):
        (session / "session.toml").unlink()
        (session / "session.toml").mkdir()

    def link(session, rng):
        (session / "session.toml").unlink()
        (session / "session.toml").symlink_to("session.toml")

    def pipe(session, rng):
        (session / "session.toml").unlink()
        os.mkfifo(session / "session.toml")

    for label, harm in (("a folder", folder), ("a link to itself", link), ("gone", lambda s, r: (s / "session.toml").unlink()),
                        ("a pipe that nobody writes to", pipe)):
        yield _refused(label, harm, "session.toml")


def _spoilt(text, rng):
    text = bytearray(text)
    for _ in range(3):
        text[rng.randrange(len(text))] = rng.randrange(256)
    return bytes(text)
