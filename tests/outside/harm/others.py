"""Command lines that are wrong, and every other file that the program reads: profiles, field notes, results, what an earlier run kept."""

import os
import pathlib
import shutil

from harm.kind import Kind

PROFILES = pathlib.Path(__file__).parents[3] / "profiles"


def kinds():
    yield from _lines()
    yield from _places()
    yield from _profiles()
    yield from _field_notes()
    yield from _kept()
    yield from _results()


def _lines():
    """Arguments; `S` stands for the session. 2 is for a line that is wrong in itself, 1 for one that asks for what is not there."""
    wrong = ("", "digitise", "digitize --nothing", "check a b", "digitize --jobs 0", "digitize --jobs -1", "digitize --jobs 99999", "digitize --jobs many",
             "plan", "plan --plate 4x5in", "plan --plate 4x5in --pixels many", "measure", "measure a.tif --patch 1,2", "measure a.tif --patch a,b,c,d",
             "calibrate", "calibrate wedge", "completions klingon", "archive S", "record", "new", "compare S --match hats", "digitize S --out")
    for line in wrong:
        yield Kind(f"line: `{line}`", _line(line), (2,), named=())
    for line in ("plan --plate 4x5in --pixels 0x0", "plan --plate 4x5in --pixels 1x1", "plan --plate 4x5in --pixels 99999999999x99999999999",
                 "plan --plate nothing --pixels 4032x3024", "plan --plate 0x0mm --pixels 4032x3024", "plan --plate 1x100000mm --pixels 4032x3024",
                 *(f"plan --plate 4x5in --pixels 4032x3024 --ppi {v}" for v in ("nan", "0", "-5", "1e308", "1e7")),
                 *(f"plan --plate 4x5in --pixels 4032x3024 --ppi 1200 --overlap {v}" for v in ("200%", "-1", "nan", "99.99%")),
                 "plan --plate 4x5in --pixels 4032x3024 --margin 1e308", "plan --plate 4x5in --pixels 4032x3024 --pixel-um 0 --f-number 0",
                 "calibrate lens S/captures/k01-a.jpg --grid 0x0,0 --to S/p.toml", "calibrate lens S/captures/k01-a.jpg --grid 999999999x99999,1 --to S/p.toml",
                 "calibrate tablet S/captures/k01-a.jpg --steps 0x0 --to S/p.toml", "calibrate tablet S/captures/k01-a.jpg --steps 21x0.15 --to S/p.toml",
                 "calibrate response S/captures/k01-a.jpg --to S/p.toml", "calibrate response S/session.toml --to S/p.toml"):
        yield Kind(f"line: `{line}`", _line(line), (0, 1, 2), named=("4x5in", "pixels", "ppi", "overlap", "margin", "0x0", "plate", "nothing", "grid", "k01-a", "steps",
                                                                      "session.toml", "100000", "pixel-um", "frame"))
    for places in ("nan,nan,nan,nan", "-5,-5,1e9,1e9", "0,0,0,0", "1e308,1e308,1e308,1e308", "99999,99999,5,5", "5,5,-1,-1", "inf,0,1,1"):
        for what in ("patch", "edge", "field"):
            line = f"measure S/out/K-01/K-01-negative.tif --px --{what}={places}"
            yield Kind(f"line: `{line}`", _line(line), (0, 1, 2), named=("K-01-negative.tif", what), base="done")
    for line, name in (("digitize no-such-folder", "no-such-folder"), ("check S/captures", "captures"), ("digitize S --plate K-99", "K-99"), ("verify no-such", "no-such"),
                       ("verify S/captures", "captures"), ("record no-such.tif", "no-such.tif"), ("record S", "S"), ("record S/session.toml", "session.toml"),
                       ("compare S --plates K-01,K-09", "K-09"), ("compare S --plates K-01", "K-01"), ("new no-such", "no-such"), ("new S --to ../x.toml", "x.toml"),
                       ("new S --to other.toml --field-notes no-such.csv", "no-such.csv"), ("archive S --to S/captures", "captures"), ("archive S --to S", "S"), ("archive S --to S/out/bag", "bag"),
                       ("archive S --to /dev/null/bag", "/dev/null"), ("archive S --to /", "/"), ("archive S --to S/session.toml", "session.toml"), ("digitize S --out S/session.toml", "session.toml"),
                       ("digitize S --out /dev/null/out", "/dev/null"), ("digitize S --out /proc/out", "/proc"), ("demo S/session.toml", "session.toml"), ("measure S --field all", "S"),
                       ("measure S/session.toml --field all", "session.toml"), ("measure S/out/K-01/K-01-negative.tif --field all --page /dev/null/p.html", "/dev/null"),
                       ("plan --plate 4x5in --pixels 4032x3024 --ppi 1200 --svg /dev/null/t.svg", "/dev/null"), ("manual /dev/null/man", "/dev/null")):
        yield Kind(f"line: `{line}`", _line(line), (1, 2), named=("kind" if name == "S" else name,), base="done")
    yield Kind("line: a folder whose name is no UTF-8", lambda s, r: ("digitize", os.fsdecode(b"no\xff\xfe")), (1, 2), ("no",))


def _line(line):
    return lambda session, rng: tuple(word.replace("S", str(session), 1) if word == "S" or word.startswith("S/") else word for word in line.split())


def _places():
    """The session and its captures under names that are hard to print."""
    for name in (b"two\nlines", b"\x1b[31mred\x07", b"no\xff\xfeutf", "löwe 光".encode(), b"-rf", b"a" * 250, b"100%25 * [?]"):

        def moved(session, rng, name=name):
            other = session / os.fsdecode(name)
            other.mkdir()
            for path in ("captures", "session.toml"):
                shutil.copytree(session / path, other / path) if (session / path).is_dir() else shutil.copy(session / path, other / path)
            return "digitize", other

        yield Kind(f"place: the session in {name[:20]}", moved, (0, 1), named=("session", os.fsdecode(name)[:2]))

        def named(session, rng, name=name):
            (session / "captures" / os.fsdecode(name)).write_bytes(b"x")
            return "archive", session, "--to", session.parent / "kind-bag" / str(rng.random())

        yield Kind(f"place: a capture called {name[:20]}", named, (0, 1), named=("captures",), base="done")


def _profiles():
    texts = {"empty": b"", "noise": bytes(range(256)) * 9, "zeros": bytes(500), "100 000 brackets": b"x = " + b"[" * 100_000, "another table": b"[nothing]\nx = 1\n"}
    for key, old in (("profile", 'profile = "srgb"'), ("tone", 'tone = "paper"')):
        for label, text in texts.items():
            yield Kind(f"{key}: {label}", _profile(key, old, lambda r, t=text: t), (1,), ("mine.toml",))
        for n in range(12):
            yield Kind(f"{key}: a value as chance has it, {n}", _profile(key, old, lambda r, k=key: _harmed(k, r)), (0, 1), ("mine.toml", "captures"))
        yield Kind(f"{key}: not there", _edited(old, f'{key} = "no-such"'), (1,), ("no-such",))
        yield Kind(f"{key}: out of the session", _edited(old, f'{key} = "../../etc/passwd"'), (1,), ("passwd",))


def _edited(old, new):
    def harm(session, rng):
        notes = session / "session.toml"
        notes.write_text(notes.read_text().replace(old, new))

    return harm


def _profile(key, old, text):
    def harm(session, rng):
        (session / "mine.toml").write_bytes(text(rng))
        _edited(old, f'{key} = "mine.toml"')(session, rng)

    return harm


def _harmed(key, rng):
    """One of the program's own profiles with one line wrong."""
    own = {"profile": "srgb.toml", "tone": "paper.toml"}[key]
    source = next(path for path in sorted(PROFILES.rglob(own)))
    lines = source.read_text().splitlines()
    at = rng.choice([n for n, line in enumerate(lines) if "=" in line and not line.startswith("#")])
    name = lines[at].split("=")[0].strip()
    lines[at] = f"{name} = " + rng.choice(["nan", "-1", "1e308", "0", '"x"', "[]", "[nan]", "[[0, 0], [0, 0]]", "[1, 0]", "{}", "true"])
    return "\n".join(lines).encode()


def _field_notes():
    for label, text in (("empty", b""), ("no id", b"size,ei\n4x5in,2\n"), ("not UTF-8", b"id,size\nK-\xff\xfe,4x5in\n"), ("zeros", bytes(300)), ("an id twice", b"id\nK-01\nK-01\n"),
                        ("ragged rows", b"id,size\nK-01\nK-02,4x5in,7,8,9\n"), ("a quote that never ends", b'id,size\n"K-01,4x5in\n'), ("a cell of a megabyte", b"id,size\nK-01," + b"x" * 1_000_000),
                        ("a column twice", b"id,id\nK-01,K-02\n"), ("an unknown column", b"id,hats\nK-01,3\n"), ("numbers that are none", b"id,ei,shutter\nK-01,nan,1/0\n"),
                        ("a hostile id", b"id\n../../x\n"), ("quotes and brackets to break out of TOML", b'id,size\nK-01,"4x5in""\n[session]"\n'), ("UTF-16", "id\nK-01\n".encode("utf-16")),
                        ("100 000 rows", b"id\n" + b"".join(b"P-%d\n" % n for n in range(100_000)))):

        def harm(session, rng, text=text):
            (session / "field.csv").write_bytes(text)
            (session / "session.toml").unlink()
            return "new", session, "--field-notes", session / "field.csv"

        yield Kind(f"field notes: {label}", harm, (0, 1), ("field.csv",))


def _kept():
    """What an earlier run left in OUT/.hyaline; at worst everything is done anew."""
    for label, text in (("empty", b""), ("noise", bytes(range(256))), ("cut", None), ("another kind", b"[]"), ("100 000 brackets", b"[" * 100_000), ("null", b"null")):

        def spoil(session, rng, text=text):
            for path in (session / "out" / ".hyaline").glob("*.json"):
                path.write_bytes(path.read_bytes()[:200] if text is None else text)

        yield Kind(f"kept notes: {label}", spoil, (0,), base="done")
    for name in ("held", "panel.json", "plate-K-01.json"):

        def folder(session, rng, name=name):
            path = session / "out" / ".hyaline" / name
            path.unlink()
            path.mkdir()

        yield Kind(f"kept notes: {name} is a folder", folder, (0, 1), (".hyaline",), base="done")

    def a_file(session, rng):
        shutil.rmtree(session / "out" / ".hyaline")
        (session / "out" / ".hyaline").write_text("x")

    yield Kind("kept notes: a file in the folder's place", a_file, (0, 1), (".hyaline",), base="done")


def _results():
    """Results that other commands read: cut, spoilt, or something else under their names."""
    spoil = {"cut": lambda b, r: b[: len(b) // 2], "empty": lambda b, r: b"", "noise": lambda b, r: r.randbytes(3000), "zeros": lambda b, r: bytes(len(b)),
             "100 000 brackets": lambda b, r: b"[" * 100_000, "some bytes as chance has it": _spoilt}
    uses = (("digitize", "K-01/K-01-record.json"), ("digitize", "digests.sha256"), ("archive", "K-01/K-01-record.json"), ("archive", "digests.sha256"),
            ("compare", "K-01/K-01-record.json"), ("compare", "K-01/K-01-negative.tif"), ("verify", "digests.sha256"), ("record", "K-01/K-01-negative.tif"),
            ("measure", "K-01/K-01-negative.tif"), ("measure", "K-01/K-01-record.json"))
    for command, name in uses:
        for label, change in spoil.items():
            # Noise in a text that is read as JSON or as a list is refused; pixels may well be other pixels.
            yield Kind(f"{command}: {name} {label}", _used(command, name, change), (0,) if command == "digitize" and "record" in name else (0, 1),
                       (name.split("/")[-1], "K-01"), base="done", harms_results=command != "digitize" or "digests" in name)
    for n in range(12):
        yield Kind(f"record: tags and packet as chance has it, {n}", _used("record", "K-01/K-01-negative.tif", _spoilt_tags), (0, 1), ("K-01-negative.tif",), base="done", harms_results=True)
        yield Kind(f"measure: tags as chance has it, {n}", _used("measure", "K-01/K-01-negative.tif", _spoilt_tags), (0, 1), ("K-01",), base="done", harms_results=True)

    def barred(session, rng):
        shutil.rmtree(session / "out" / "K-01")
        (session / "out" / "K-01").write_text("x")

    yield Kind("digitize: a file in the place of a plate's folder", barred, (1,), ("K-01",), "K-02", "done", harms_results=True)


def _used(command, name, change):
    def harm(session, rng):
        path = session / "out" / name
        path.write_bytes(change(path.read_bytes(), rng))
        negative = session / "out" / "K-01" / "K-01-negative.tif"
        return {"archive": ("archive", session, "--to", session / "bag"), "compare": ("compare", session, "--plates", "K-01,K-02"), "verify": ("verify", session / "out"),
                "record": ("record", negative), "measure": ("measure", negative, "--patch", "20,20,5,5"), "digitize": ("digitize", session)}[command]

    return harm


def _spoilt(whole, rng):
    whole = bytearray(whole)
    for _ in range(20):
        whole[rng.randrange(len(whole))] = rng.randrange(256)
    return bytes(whole)


def _spoilt_tags(whole, rng):
    """In what is no pixels: the first and the last kilobytes."""
    whole = bytearray(whole)
    for _ in range(20):
        place = rng.randrange(6000)
        whole[place if place < 3000 else -(place - 2999)] = rng.randrange(256)
    return bytes(whole)
