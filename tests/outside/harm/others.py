"""Every other file that the program reads: profiles, field notes, results, what an earlier run kept."""

import pathlib
import shutil

from harm.kind import Kind

PROFILES = pathlib.Path(__file__).parents[3] / "profiles"


def kinds():
    yield from _profiles()
    yield from _field_notes()
    yield from _kept()
    yield from _results()


def _profiles():
    texts = {"empty": b"", "noise": bytes(range(256)) * 9, "zeros": bytes(500), "100 000 brackets": b"x = " + b"[" * 100_000,
             "another table": b"[nothing]\nx = 1\n"}
    for key, old in (("profile", 'profile = "srgb"'), ("tone", 'tone = "paper"')):
        for label, text in texts.items():
            yield Kind(f"{key}: {label}", _profile(key, old, lambda r, t=text: t), (1,), ("mine.toml",))
        for n in range(12):
            yield Kind(f"{key}: a value as chance has it, {n}", _profile(key, old, lambda r, k=key: _harmed(k, r)), (0, 1),
                       ("mine.toml", "captures"))
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
    source = PROFILES / {"profile": "srgb.toml", "tone": "tone/paper.toml"}[key]
    lines = source.read_text().splitlines()
    at = rng.choice([n for n, line in enumerate(lines) if "=" in line and not line.startswith("#")])
    name = lines[at].split("=")[0].strip()
    lines[at] = f"{name} = " + rng.choice(["nan", "-1", "1e308", "0", '"x"', "[]", "[nan]", "[[0, 0], [0, 0]]", "[1, 0]", "{}", "true"])
    return "\n".join(lines).encode()


def _field_notes():
    tables = {
        "empty": b"",
        "zeros": bytes(300),
        "not UTF-8": b"id,size\nK-\xff\xfe,4x5in\n",
        "UTF-16": "id\nK-01\n".encode("utf-16"),
        "no id": b"size,ei\n4x5in,2\n",
        "an id twice": b"id\nK-01\nK-01\n",
        "a hostile id": b"id\n../../x\n",
        "a column twice": b"id,id\nK-01,K-02\n",
        "an unknown column": b"id,hats\nK-01,3\n",
        "ragged rows": b"id,size\nK-01\nK-02,4x5in,7,8,9\n",
        "a quote that never ends": b'id,size\n"K-01,4x5in\n',
        "quotes and brackets to break out of TOML": b'id,size\nK-01,"4x5in""\n[session]"\n',
        "numbers that are none": b"id,ei,shutter\nK-01,nan,1/0\n",
        "a cell of a megabyte": b"id,size\nK-01," + b"x" * 1_000_000,
        "100 000 rows": b"id\n" + b"".join(b"P-%d\n" % n for n in range(100_000)),
    }
    for label, text in tables.items():

        def harm(session, rng, text=text):
            (session / "field.csv").write_bytes(text)
            (session / "session.toml").unlink()
            return "new", session, "--field-notes", session / "field.csv"

        yield Kind(f"field notes: {label}", harm, (0, 1), ("field.csv",))


def _kept():
    """What an earlier run left in OUT/.hyaline; at worst everything is done anew."""
    for label, text in (("empty", b""), ("noise", bytes(range(256))), ("cut", None), ("another kind", b"[]"),
                        ("100 000 brackets", b"[" * 100_000), ("null", b"null")):

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
    spoil = {"cut": lambda b, r: b[: len(b) // 2], "empty": lambda b, r: b"", "noise": lambda b, r: r.randbytes(3000),
             "zeros": lambda b, r: bytes(len(b)), "100 000 brackets": lambda b, r: b"[" * 100_000, "some bytes as chance has it": _spoilt}
    record, negative, digests = "K-01/K-01-record.json", "K-01/K-01-negative.tif", "digests.sha256"
    uses = {"digitize": (record, digests), "archive": (record, digests), "compare": (record, negative), "verify": (digests,),
            "record": (negative,), "measure": (record, negative)}
    for command, name in ((command, name) for command, names in uses.items() for name in names):
        again = command == "digitize" and name == record  # a plate whose record was harmed is done again
        for label, change in spoil.items():
            yield Kind(f"{command}: {name} {label}", _used(command, name, change), (0,) if again else (0, 1),
                       (name.split("/")[-1], "K-01"), base="done", harms_results=not again)
    for n in range(12):
        yield Kind(f"record: tags and packet as chance has it, {n}", _used("record", "K-01/K-01-negative.tif", _spoilt_tags), (0, 1),
                   ("K-01-negative.tif",), base="done", harms_results=True)
        yield Kind(f"measure: tags as chance has it, {n}", _used("measure", "K-01/K-01-negative.tif", _spoilt_tags), (0, 1), ("K-01",),
                   base="done", harms_results=True)

    def barred(session, rng):
        shutil.rmtree(session / "out" / "K-01")
        (session / "out" / "K-01").write_text("x")

    yield Kind("digitize: a file in the place of a plate's folder", barred, (1,), ("K-01",), "K-02", "done", harms_results=True)


def _used(command, name, change):
    def harm(session, rng):
        path = session / "out" / name
        path.write_bytes(change(path.read_bytes(), rng))
        negative = session / "out" / "K-01" / "K-01-negative.tif"
        more = {"digitize": (session,), "archive": (session, "--to", session / "bag"), "compare": (session, "--plates", "K-01,K-02"),
                "verify": (session / "out",), "record": (negative,), "measure": (negative, "--patch", "20,20,5,5")}
        return command, *more[command]

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
