"""A package and a folder of results with one thing wrong: `verify` must find it and name the file."""

import json
import random
import shutil

from harm.session import Row, copy_of


def rows(bench, flips):
    session, bag = bench.session("flips"), bench.folder / "flips-bag"
    for command in (("digitize", session), ("archive", session, "--to", bag)):
        bench.sound(*command)
    # What is hidden in OUT is the program's own notes of what is done, no result.
    shutil.rmtree(session / "out" / ".hyaline")
    for name, folder in (("a package", bag), ("results", session / "out")):
        yield flipped(bench, f"flipped bytes in {name}", folder, flips)
    for name, folder in (("a package", bag), ("results", session / "out")):
        yield displaced(bench, f"files of {name} missing, extra, cut or renamed", folder)


def _files(folder):
    return sorted(p.relative_to(folder) for p in folder.rglob("*") if p.is_file())


def flipped(bench, what, folder, flips):
    row, rng, files = Row(what), random.Random(f"{bench.seed} {what}"), _files(folder)
    for n in range(max(flips, len(files))):
        # Every file at least once, then as chance has it.
        name = files[n] if n < len(files) else rng.choice(files)
        path = folder / name
        sound = path.read_bytes()
        place, mask = rng.randrange(len(sound)), rng.randrange(1, 256)
        path.write_bytes(sound[:place] + bytes([sound[place] ^ mask]) + sound[place + 1 :])
        row.count(f"seed {bench.seed}, {name} byte {place} xor {mask:#04x}", _found(bench, folder, _named(name, sound, place)))
        path.write_bytes(sound)
    row.note = f"{len(files)} files"
    return row


def _named(name, sound, place):
    """The names that tell of a flip: a digest in a list that no longer fits may as well be the fault of the file on that line."""
    names = [str(name)]
    if name.name.startswith(("manifest-", "tagmanifest-", "digests.")):
        line = sound[: place + 1].decode().count("\n") - (sound[place : place + 1] == b"\n")
        names.append(sound.decode().splitlines()[line].split("  ", 1)[1])
    return names


def displaced(bench, what, folder):
    row, files = Row(what), _files(folder)
    work = copy_of(folder, bench.folder / "displaced")
    for name in files:
        path, aside = work / name, bench.folder / "aside"
        size = path.stat().st_size
        path.rename(aside)
        row.count(f"{name} missing", _found(bench, work, [str(name)]))
        path.write_bytes(aside.read_bytes()[: size // 2])
        row.count(f"{name} cut to {size // 2} bytes", _found(bench, work, [str(name)]))
        path.unlink()
        other = path.with_name("renamed-" + path.name)
        aside.rename(other)
        row.count(f"{name} renamed", _found(bench, work, [str(name)]) + _extra(bench, work, other, name))
        other.rename(path)
    for place in sorted({name.parent for name in files}):
        new = work / place / "extra.tif"
        new.write_bytes(b"")
        row.count(f"{place}/extra.tif added", _found(bench, work, [str(place / "extra.tif")]))
        new.unlink()
    bench.sound("verify", work)  # all is back in its place
    return row


def _extra(bench, work, other, name):
    """A list that is gone under its own name cannot tell what is extra; nor can bag-info.txt, which tells who packed: tag files that no
    list names are for others to add (RFC 8493, 2.2.4)."""
    if name.name.startswith(("manifest-", "tagmanifest-", "digests.", "bag-info")):
        return []
    return _found(bench, work, [str(other.relative_to(work))])


def _found(bench, folder, names):
    """Nothing, where verify fails and one of the names stands in what it found."""
    ran = bench.run("verify", folder, "--json")
    if ran.status != 1:
        return [f"verify ended with {ran.status}"]
    findings = json.loads(ran.out).get("findings")
    told = [f["file"] for f in findings] if findings is not None else []
    if any(name in told for name in names) or (findings is None and any(name in ran.err for name in names)):
        return []
    return [f"verify does not name {' or '.join(names)}: {ran.message}"]
