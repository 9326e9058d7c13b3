"""Bad input of every kind: what is promised of each, and whether the program keeps it.

Promised: exit status 0, 1 or 2, never a signal; no panic; a message that names the file or the key; bounds of memory and time; plates
that nothing is wrong with are done; captures stay as they are; nothing is half-written.
"""

import random

from harm import frames, lines, notes, others
from harm.session import PEAK_MIB, SLOWEST, Row, changed, copy_of, digests, half_written


def rows(bench, count, like):
    rng = random.Random(f"{bench.seed} kinds")
    bases = {base: bench.session("kinds-" + base, base) for base in ("jpeg", "png16", "tiff16", "dng", "heic")}
    bases |= {name: frames.rewritten(bases["tiff16"], bench.folder / f"kinds-{name}", name) for name in ("tiff8", "png8")}
    notes.write_in_full(bases["jpeg"])
    bases["done"] = copy_of(bases["jpeg"], bench.folder / "kinds-done")
    bench.sound("digitize", bases["done"])
    every = {"bad notes": list(notes.kinds()), "bad captures": list(frames.kinds()), "bad command lines": list(lines.kinds()),
             "other bad files": list(others.kinds())}
    listed = sum(map(len, every.values()))
    every["bad notes"] += notes.by_chance(rng, count - listed)
    share = min(1, count / listed)
    for what, kinds in every.items():
        chosen = sorted(rng.sample(range(len(kinds)), round(share * len(kinds))))
        chosen = [kind for kind in kinds if like in kind.label] if like else [kinds[n] for n in chosen]
        if chosen:
            yield tried(bench, what, chosen, bases)


def tried(bench, what, kinds, bases):
    row, panics, peak, slowest = Row(what), 0, 0.0, (0.0, "")
    for kind in kinds:
        session = copy_of(bases[kind.base], bench.folder / "kind")
        asked = kind.harm(session, random.Random(f"{bench.seed} {kind.label}"))
        asked = ("digitize", session) if asked is None else asked
        before = digests(session / "captures")
        ran = bench.run(*asked, prints_to=kind.prints_to)
        said = _broken_promises(kind, ran)
        said += changed(before, digests(session / "captures"))
        said += [] if kind.harms_results else half_written(session / "out", ended=True)
        if kind.spares and not (session / "out" / kind.spares / f"{kind.spares}-record.json").is_file():
            said.append(f"{kind.spares} was not done: {ran.message}")
        row.count(f"seed {bench.seed}, {kind.label} ({kind.base})", said)
        panics += "panicked" in ran.err or ran.status == 101
        peak, slowest = max(peak, ran.peak_mib), max(slowest, (ran.seconds, kind.label))
    row.note = f"{panics} panics; at most {peak:.0f} MiB; slowest {slowest[0]:.1f} s, {slowest[1]}"
    return row


def _broken_promises(kind, ran):
    if ran.status is None:
        return [f"it was not done after {SLOWEST} s"]
    said = []
    if ran.status not in kind.status:
        said.append(f"exit status {ran.status} in place of {' or '.join(map(str, kind.status))}: {ran.message}")
    if "panicked" in ran.err:
        said.append(f"it panicked: {ran.message}")
    if ran.status == 1 and not any(name in ran.err for name in kind.named):
        said.append(f"the message names none of {', '.join(kind.named)}: {ran.message}")
    if ran.status == 2 and not ran.err.strip():
        said.append("it says nothing")
    if ran.peak_mib > PEAK_MIB:
        said.append(f"it took {ran.peak_mib:.0f} MiB")
    return said
