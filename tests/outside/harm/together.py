"""Two runs at once on one folder, and disks that fill up."""

import os
import pathlib
import random
import shutil
import signal
import subprocess
import time

from harm import kills
from harm.session import Row, changed, digests, half_written


def rows(bench, times):
    session = bench.session("together")
    yield digitize_twice(bench, session, times)
    yield archive_twice(bench, session, times)
    yield full_disk(bench, session, times)
    yield full_disk_for_bag(bench, session, times)


def digitize_twice(bench, session, times):
    """The first run is stopped while it holds the folder, so that the second surely meets it."""
    row, rng, out = Row("a second digitize at once"), random.Random(f"{bench.seed} twice"), session / "out"
    bench.sound("digitize", session)
    clean = digests(out)
    while row.tried < times:
        shutil.rmtree(out)
        moment = rng.uniform(0, 0.2)
        first, held = bench.start("digitize", session), out / ".hyaline" / "held"
        while first.poll() is None and not (held.is_file() and held.read_text() == str(first.pid)):
            time.sleep(0.001)
        time.sleep(moment)
        first.send_signal(signal.SIGSTOP)
        if first.poll() is None:
            second = bench.run("digitize", session, "--quiet")
            first.send_signal(signal.SIGCONT)
            said = _refused(second, [f"process {first.pid}", str(out)])
            said += [] if first.wait() == 0 else [f"the first run ended with {first.returncode}"]
            row.count(f"seed {bench.seed}, {moment:.4f} s after the first took hold", said + changed(clean, digests(out)))
    return row


def archive_twice(bench, session, times):
    row, rng, bag = Row("a second archive at once"), random.Random(f"{bench.seed} bags twice"), bench.folder / "twice-bag"
    while row.tried < times:
        shutil.rmtree(bag, ignore_errors=True)
        first, work = bench.start("archive", session, "--to", bag), bench.folder / ".hyaline-twice-bag.part"
        while first.poll() is None and not (work / "data").exists():
            time.sleep(0.0005)
        moment = rng.uniform(0, 0.03)
        time.sleep(moment)
        first.send_signal(signal.SIGSTOP)
        if first.poll() is None and not bag.exists():
            second = bench.run("archive", session, "--to", bag, "--quiet")
            first.send_signal(signal.SIGCONT)
            said = _refused(second, [f"process {first.pid}", "twice-bag"])
            said += [] if first.wait() == 0 else [f"the first run ended with {first.returncode}"]
            row.count(f"seed {bench.seed}, {moment:.4f} s after the first began", said + kills.whole_bag(bench, bag))
        else:
            first.send_signal(signal.SIGCONT)
            first.wait()
    shutil.rmtree(bag, ignore_errors=True)
    return row


def _refused(ran, named):
    said = [] if ran.status == 1 else [f"the second run ended with {ran.status}"]
    return said + [f"the second run does not say `{name}`: {ran.message}" for name in named if name not in ran.err]


def full_disk(bench, session, times):
    """Results onto file systems of every size from next to nothing to nearly enough; then there is room again."""
    out = session / "out"
    shutil.rmtree(out, ignore_errors=True)
    bench.sound("digitize", session)
    clean, before = digests(out), digests(session / "captures")
    shutil.rmtree(out)

    def sound(_):
        return half_written(out, ended=True) + changed(before, digests(session / "captures"))

    return _filling(bench, "a full disk under digitize", out, times, ("digitize", session), sound, lambda: changed(clean, digests(out)))


def full_disk_for_bag(bench, session, times):
    bench.sound("digitize", session)
    disk, before = bench.folder / "disk", digests(session)
    bag = disk / "bag"

    def sound(ended):
        return changed(before, digests(session)) + (["a part stands under the package's name"] if bag.exists() and not ended else [])

    row = _filling(bench, "a full disk under archive", disk, times, ("archive", session, "--to", bag), sound,
                   lambda: kills.whole_bag(bench, bag))
    return row


def _filling(bench, what, place, times, command, sound, complete):
    """Only runs that met the end of the disk are counted."""
    row, rng = Row(what), random.Random(f"{bench.seed} {what}")
    place.mkdir(exist_ok=True)
    enough = 64 << 20
    if os.geteuid() != 0 or not _mount(place, enough):
        row.note = "not tried: it needs root and a small file system to mount"
        return row
    try:
        bench.sound(*command)
        needed = sum(p.stat().st_blocks * 512 for p in place.rglob("*") if p.is_file())
    finally:
        _unmount(place)
    roomy = 0
    for _ in range(20 * times):
        if row.tried == times:
            break
        size = rng.randrange(16 << 10, int(1.3 * needed)) // 4096 * 4096
        _mount(place, size)
        try:
            ran = bench.run(*command, "--quiet")
            if ran.status == 0:
                roomy += 1
                continue
            said = [] if ran.status == 1 else [f"it ended with {ran.status}"]
            if "o space left" not in ran.err or str(place) not in ran.err:
                said.append(f"it does not say that {place.name} is full: {ran.message}")
            said += sound(False)
            subprocess.run(["mount", "-o", f"remount,size={enough}", place], check=True)
            again = bench.run(*command, "--quiet")
            said += [f"with room again it ended with {again.status}: {again.message}"] if again.status else []
            row.count(f"seed {bench.seed}, {size} bytes of disk", said + sound(True) + complete())
        finally:
            _unmount(place)
    row.note = f"{roomy} more found room enough and are not counted"
    return row


def _mount(place: pathlib.Path, size):
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", place], capture_output=True)
    return done.returncode == 0


def _unmount(place):
    subprocess.run(["umount", place], check=True)
