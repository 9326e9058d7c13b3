"""Runs killed with SIGKILL at random moments: nothing is half-written, and the next run completes with the same bytes.

The moments are spread evenly over the time that an undisturbed run takes, and a little beyond, so that its last steps are hit, too.
Kills that came after a run's own end are told apart and not counted.
"""

import random
import shutil
import signal
import statistics
import time

import bagit

from harm.session import Row, changed, digests, half_written


def rows(bench, kills):
    """Digitizing, digitizing with a bracket to compare, packing: each with its share of the kills."""
    # A comparison takes six times as long as two plates.
    compared, packed = kills // 50 * 6, kills // 4
    plain = bench.session("kills")
    yield digitized(bench, "kills of digitize", plain, kills - compared - packed)
    if compared:
        yield digitized(bench, "kills of digitize, a bracket compared", bench.session("kills-bracket", bracket=True), compared)
    yield archived(bench, plain, packed)


def digitized(bench, what, session, kills):
    out, row, rng = session / "out", Row(what), random.Random(f"{bench.seed} {what}")
    before = digests(session / "captures") | {"session.toml": (session / "session.toml").read_bytes()}
    command = ("digitize", session)
    whole = _undisturbed(bench, command, out)
    clean = digests(out)
    late, standing = 0, []
    while row.tried < kills:
        moments = [rng.uniform(0, 1.05 * whole)]
        while rng.random() < 0.3:  # the run that would complete is killed, too
            moments.append(rng.uniform(0, whole))
        said, hit = [], 0
        for moment in moments:
            if not killed(bench, command, moment):
                late += 1
                continue
            hit += 1
            now = digests(out) if out.exists() else {}
            standing.append(len(now) / len(clean))
            said += changed({k: clean.get(k) for k in now}, now) + half_written(out, ended=False)
        ran = bench.run(*command, "--quiet")
        said += [f"the next run ended with {ran.status}: {ran.message}"] if ran.status else []
        said += changed(clean, digests(out)) + half_written(out, ended=True)
        said += changed(before, digests(session / "captures") | {"session.toml": (session / "session.toml").read_bytes()})
        label = f"seed {bench.seed}, killed at {', '.join(f'{m:.4f}' for m in moments)} of {whole:.4f} s"
        for _ in range(hit):
            row.count(label, said)
        shutil.rmtree(out)
    amid = sum(0 < s < 1 for s in standing)
    row.note = f"{late} more came after the end; results standing when hit: none {standing.count(0)}, some {amid}, all {standing.count(1)}"
    return row


def archived(bench, session, kills):
    bench.sound("digitize", session)
    bag, row, rng = bench.folder / "killed-bag", Row("kills of archive"), random.Random(f"{bench.seed} archive")
    before = digests(session)
    command = ("archive", session, "--to", bag)
    whole = _undisturbed(bench, command, bag)
    clean = digests(bag)
    late, stood = 0, 0
    while row.tried < kills:
        moment = rng.uniform(0, 1.05 * whole)
        hit = killed(bench, command, moment)
        late += not hit
        said = []
        if hit and bag.exists():
            stood += 1
            said += [f"a part stands under the package's name: {what}" for what in whole_bag(bench, bag)]
        ran = bench.run(*command, "--quiet")
        said += [f"the next run ended with {ran.status}: {ran.message}"] if ran.status else []
        said += whole_bag(bench, bag) + changed(_undated(clean), _undated(digests(bag))) + changed(before, digests(session))
        said += [f"{p.name} was left behind" for p in bag.parent.glob(".hyaline-*")]
        if hit:
            row.count(f"seed {bench.seed}, killed at {moment:.4f} of {whole:.4f} s", said)
        shutil.rmtree(bag)
    row.note = f"{late} more came after the end; the whole package stood already after {stood}"
    return row


def _undated(bag):
    """The package's description tells the day of packing, which may change while this runs."""
    return {name: known for name, known in bag.items() if name not in ("bag-info.txt", "tagmanifest-sha512.txt")}


def killed(bench, command, moment):
    """Whether the kill met a living process."""
    child = bench.start(*command)
    time.sleep(moment)
    child.kill()
    return child.wait() == -signal.SIGKILL


def whole_bag(bench, bag):
    """What `verify` and the `bagit` package from PyPI have to say against a package."""
    said = []
    ran = bench.run("verify", bag)
    if ran.status != 0:
        said.append(f"verify ended with {ran.status}: {ran.message}")
    try:
        bagit.Bag(str(bag)).validate(processes=1)
    except bagit.BagError as e:
        said.append(f"bagit refuses it: {e}")
    return said


def _undisturbed(bench, command, made):
    """Seconds of a run from nothing: the middle of three."""
    took = []
    for _ in range(3):
        shutil.rmtree(made, ignore_errors=True)
        took.append(bench.sound(*command).seconds)
    return statistics.median(took)
