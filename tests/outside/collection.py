"""Checks profiles/collection: Snakemake drives the program over a folder of sessions, on this machine and through a cluster's queue.

    HYALINE=target/release/hyaline python collection.py            exit status 1 when a check fails

What must come out is what the program writes when it is called by hand, byte for byte. The queue is a stand-in of two scripts
behind Snakemake's own plugin for any queue (cluster-generic): one starts a job in the background, one tells how it stands.
"""

import contextlib
import hashlib
import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import time

import scenarios
import simulate

PROGRAM = shutil.which(os.environ.get("HYALINE", "target/release/hyaline"))
SNAKEFILE = pathlib.Path(__file__).resolve().parents[2] / "profiles/collection/Snakefile"
MEGAPIXELS = 2.0
PLATES = 3
wrong = 0

SUBMIT = """#!/bin/bash
# submit THREADS MEM_MB JOB: starts the job in a process group of its own, and prints that group's number.
[ "$1" -gt 0 ] && [ "$2" -gt 0 ] || exit 1
setsid bash -c 'bash "$1"; echo $? > "$0/$$.ended"' "$(dirname "$0")" "$3" > /dev/null 2>&1 &
echo $!
"""
STATUS = """#!/bin/bash
ended="$(dirname "$0")/$1.ended"
if kill -0 "$1" 2> /dev/null; then echo running
elif [ "$(cat "$ended" 2> /dev/null)" = 0 ]; then echo success
else echo failed; fi
"""


def check(good, what, told=""):
    global wrong
    wrong += not good
    print(f"{'ok  ' if good else 'FAIL'} {what}", flush=True)
    if not good and told:
        print(told)


def results(out):
    """Every result with its digest; hidden files are the program's own."""
    files = [path.relative_to(out) for path in out.rglob("*") if path.is_file()]
    shown = [name for name in files if not any(part.startswith(".") for part in name.parts)]
    return {str(name): hashlib.sha256((out / name).read_bytes()).hexdigest() for name in shown}


class Collection:
    """Sessions of one folder, each with a title of its own, what Snakemake makes of them, and what comes out by hand."""

    def __init__(self, folder, model, names):
        self.folder, self.names = folder, names
        for name in names:
            shutil.copytree(model, folder / "sessions" / name)
            self.edit(name, "Lime kiln at the ebb", f"Lime kiln, {name}")

    def edit(self, name, old, new):
        notes = self.folder / "sessions" / name / "session.toml"
        text = notes.read_text()
        assert old in text, f"{old} is not in {notes}"
        notes.write_text(text.replace(old, new, 1))

    def start(self, *arguments, **config):
        config = {"sessions": "sessions", "out": "out", "program": PROGRAM, "job": "session", **config}
        settings = [f"{key}={value}" for key, value in config.items() if value is not None]
        command = [sys.executable, "-m", "snakemake", "--snakefile", SNAKEFILE, "--keep-going", *arguments, "--config", *settings]
        # The workflow's own copies of its sources go where they are deleted with the rest.
        environment = {**os.environ, "XDG_CACHE_HOME": str(self.folder / "cache")}
        return subprocess.Popen(
            command, cwd=self.folder, env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True
        )

    def run(self, *arguments, **config):
        run = self.start(*arguments, **config)
        told = run.communicate()[0]
        return run.returncode, told

    def summary(self):
        return {line["session"]: line for line in json.loads((self.folder / "out/summary.json").read_text())}

    def answer(self, name, step="digitize"):
        return json.loads((self.folder / "out/steps" / name / f"{step}.json").read_text())

    def at_first_plate(self, name, run):
        """Waits until a session's first plate is done and others are not; gives the process that works on it."""
        work = self.folder / "out/results" / name / ".hyaline"
        until = time.monotonic() + 60
        while not list(work.glob("plate-*.json")):
            if run.poll() is not None or time.monotonic() > until:
                raise SystemExit(f"collection: {name} was never seen at work: {run.communicate()[0] if run.poll() is not None else ''}")
            time.sleep(0.002)
        return int((work / "held").read_text())

    def at_some_plate(self, run):
        """Waits until a plate is done and another is worked on; gives the process that works on that."""
        until = time.monotonic() + 60
        while True:
            done = list((self.folder / "out/results").glob("*/.hyaline/ahead-*.json"))
            for held in (self.folder / "out/results").glob("*/.hyaline/held-*"):
                with contextlib.suppress(ValueError, OSError):
                    process = int(held.read_text())
                    if done and not held.with_name(f"{held.name.removeprefix('held-')}.json").exists() and alive(process):
                        return process
            if run.poll() is not None or time.monotonic() > until:
                raise SystemExit(f"collection: no plate was seen at work: {run.communicate()[0] if run.poll() is not None else ''}")
            time.sleep(0.002)

    def by_hand(self, name):
        out = self.folder / "by-hand" / name
        subprocess.run([PROGRAM, "digitize", self.folder / "sessions" / name, "--out", out, "--quiet"], check=True)
        return results(out)

    def same_as(self, by_hand, what):
        for name in self.names:
            got = results(self.folder / "out/results" / name)
            differ = sorted(set(got.items()) ^ set(by_hand[name].items()))
            check(len(got) >= 4 * PLATES and not differ, f"{what}: {len(got)} files of {name} as by hand", differ)

    def anew(self):
        for made in ("out", "packages", ".snakemake"):
            shutil.rmtree(self.folder / made, ignore_errors=True)


def alive(process):
    with contextlib.suppress(OSError):
        os.kill(process, 0)
        return True
    return False


def on_this_machine(folder, model):
    sessions = Collection(folder, model, ["ebb", "flood", "kiln 1", "löwe"])
    by_hand = {name: sessions.by_hand(name) for name in sessions.names}  # the same wherever a collection lies
    for job in ("session", "plate"):
        took = {}
        for cores in (1, 2):
            sessions.anew()
            status, told = sessions.run("--cores", str(cores), check="no", job=job)
            check(status == 0, f"a {job} a job, {cores} cores: all jobs done", told)
            sessions.same_as(by_hand, f"a {job} a job, {cores} cores")
            took[cores] = seconds_of_jobs(sessions)
            plates = PLATES * len(sessions.names)
            rate = 60 * plates / took[cores]
            print(f"     a {job} a job, {cores} cores: {plates} plates of {MEGAPIXELS:g} megapixels in {took[cores]:.1f} s, {rate:.0f} a minute")
        print(f"     2 cores do {took[1] / took[2]:.2f} times as much as one")
    stamps = len(list((sessions.folder / "out/steps").glob("*/plate-*.done")))
    check(stamps == PLATES * len(sessions.names), "each plate had a job of its own", stamps)
    lines = sessions.summary()
    good = [line["state"] == "done" and line["plates_done"] == PLATES and 0 < line["base"] < 1 for line in lines.values()]
    check(list(lines) == sessions.names and all(good), "the summary names all sessions as done", lines)
    status, told = sessions.run("--cores", "1", check="no", job="plate")
    check(status == 0 and "Nothing to be done" in told, "a second run has nothing to do", told)
    return by_hand


def seconds_of_jobs(sessions):
    """From the first job's beginning to the last stamp: what Snakemake takes to start and end is left out."""
    steps = sessions.folder / "out/steps"
    # Opened when a job begins, and nothing is said there unless it fails.
    began = min(path.stat().st_mtime for kind in ("digitize", "plate-*") for path in steps.glob(f"*/{kind}.txt"))
    return max(path.stat().st_mtime for path in steps.glob("*/verify.done")) - began


def killed_here(folder, model, by_hand):
    """The program is killed half-way and the job tried again; then all is killed and started once more."""
    sessions = Collection(folder, model, ["ebb", "flood"])
    run = sessions.start("--cores", "2", "--retries", "1", check="no")
    name = sessions.names[0]
    os.kill(sessions.at_first_plate(name, run), signal.SIGKILL)
    told = run.communicate()[0]
    check(run.returncode == 0 and "Trying to restart job" in told, "program killed: the job is done again", told)
    check(sessions.answer(name)["kept"], f"program killed: {name} went on with {sessions.answer(name)['kept']}")
    sessions.same_as(by_hand, "program killed")

    sessions.anew()
    run = sessions.start("--cores", "2", check="no")
    worker = sessions.at_first_plate(name, run)
    os.killpg(run.pid, signal.SIGKILL)
    with contextlib.suppress(ProcessLookupError):
        os.kill(worker, signal.SIGKILL)
    run.communicate()
    sessions.run("--unlock", check="no")
    status, told = sessions.run("--cores", "2", "--rerun-incomplete", check="no")
    check(status == 0, "all killed: the next run completes", told)
    check(sessions.answer(name)["kept"], f"all killed: {name} went on with {sessions.answer(name)['kept']}")
    sessions.same_as(by_hand, "all killed")

    sessions.anew()
    run = sessions.start("--cores", "2", "--retries", "1", check="no", job="plate")
    os.kill(sessions.at_some_plate(run), signal.SIGKILL)
    told = run.communicate()[0]
    check(run.returncode == 0 and "Trying to restart job" in told, "a plate's job killed: that plate is done again", told)
    sessions.same_as(by_hand, "a plate's job killed")


def on_a_cluster(folder, model, by_hand):
    """Through the queue, all steps of a session submitted as one job, and one of these lost half-way."""
    sessions = Collection(folder, model, ["ebb", "flood"])
    for name, script in (("submit", SUBMIT), ("status", STATUS)):
        (folder / name).write_text(script)
        (folder / name).chmod(0o755)
    queue = ["--executor", "cluster-generic", "--jobs", "2", "--retries", "1", "--latency-wait", "2"]
    queue += ["--seconds-between-status-checks", "1"]
    queue += ["--cluster-generic-submit-cmd", f"{folder}/submit {{threads}} {{resources.mem_mb}}"]
    queue += ["--cluster-generic-status-cmd", f"{folder}/status"]
    run = sessions.start(*queue, "--groups", "digitize=one", "verify=one", check="no")
    name = sessions.names[0]
    os.killpg(os.getpgid(sessions.at_first_plate(name, run)), signal.SIGKILL)
    told = run.communicate()[0]
    check(run.returncode == 0 and "Trying to restart job" in told, "queue: the lost job is done again", told)
    check(sessions.answer(name)["kept"], f"queue: {name} went on with {sessions.answer(name)['kept']}")
    lines = sessions.summary()
    check({line["state"] for line in lines.values()} == {"done"}, "queue: the summary says that all is done", lines)
    sessions.same_as(by_hand, "queue")

    sessions.anew()
    run = sessions.start(*queue, check="no", job="plate")
    os.killpg(os.getpgid(sessions.at_some_plate(run)), signal.SIGKILL)
    told = run.communicate()[0]
    check(run.returncode == 0 and "Trying to restart job" in told, "queue: a lost plate is done again", told)
    sessions.same_as(by_hand, "queue, a plate a job")


def with_faults(folder, model, by_hand):
    """One session has a spoilt plate, one has notes that cannot be read; then both are mended."""
    sessions = Collection(folder, model, ["ebb", "flood", "kiln 1"])
    _, spoilt, unread = sessions.names
    captures = folder / "sessions" / spoilt / "captures"
    plate, aside = captures / "k02-a.jpg", folder / "k02-a.jpg"
    plate.rename(aside)
    shutil.copy(captures / "blank-1.jpg", plate)
    sessions.edit(unread, "[session]", "[session")
    sessions.run("--cores", "2", "--until", "check", job="plate")
    states = [line["state"] for line in sessions.summary().values()]
    check(states == ["waits for digitize", "waits for digitize", "stopped at check"], "faults: checked alone, the others wait", states)
    check("k02-a.jpg" in sessions.summary()[spoilt]["errors"][0], "faults: the check tells of the spoilt plate")
    status, told = sessions.run("--cores", "2", archive="packages", job="plate")
    check(status == 1, "faults: the exit status is 1", told)
    lines = sessions.summary()
    states = [lines[name]["state"] for name in sessions.names]
    check(states == ["done", "stopped at digitize", "stopped at check"], "faults: the summary says where each stands", f"{lines}\n{told}")
    line = lines[spoilt]
    named = line["failed"] == ["K-02"] and "k02-a.jpg" in line["errors"][0]
    check(named and line["plates_done"] == PLATES - 1, "faults: the spoilt plate is named", line)
    check("session.toml:1" in lines[unread]["errors"][0], "faults: so is the line of the notes", lines[unread])

    aside.replace(plate)
    sessions.edit(unread, "[session", "[session]")
    status, told = sessions.run("--cores", "2", archive="packages", job="plate")
    states = {line["state"] for line in sessions.summary().values()}
    check(status == 0 and states == {"done"}, "faults: once mended, all is done", told)
    sessions.same_as(by_hand, "faults")
    for name in sessions.names:
        package = folder / "packages" / name
        verified = subprocess.run([PROGRAM, "verify", package], capture_output=True, text=True)
        check(verified.returncode == 0 and (package / "bagit.txt").exists(), f"faults: {name} is packed", verified.stderr)


def bad_command_lines(folder, model):
    sessions = Collection(folder, model, ["ebb"])
    for key, value, wanted in (("sessions", None, "give sessions=DIR"), ("program", "no-such", "no-such is not there")):
        status, told = sessions.run("--cores", "1", **{key: value})
        check(status == 1 and wanted in told and "Traceback" not in told, f"refused: {wanted}", told)


def main():
    if PROGRAM is None:
        raise SystemExit("collection: no program; name it in HYALINE, or build it: cargo build --release")
    globals()["PROGRAM"] = os.path.abspath(PROGRAM)
    began = time.monotonic()
    batch = scenarios.ALL["batch"]
    scenarios.ALL["collection"] = {**batch, "ids": batch["ids"][:PLATES], "bases": (0.14, 0.146, 0.135)}
    with tempfile.TemporaryDirectory(prefix="collection-") as made:
        made = pathlib.Path(made)
        simulate.build("collection", made / "model", MEGAPIXELS)
        by_hand = on_this_machine(made / "here", made / "model")
        killed_here(made / "killed", made / "model", by_hand)
        with_faults(made / "faults", made / "model", by_hand)
        on_a_cluster(made / "queue", made / "model", by_hand)
        bad_command_lines(made / "refused", made / "model")
    print(f"collection: {'sound' if not wrong else f'{wrong} checks failed'}, {time.monotonic() - began:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
