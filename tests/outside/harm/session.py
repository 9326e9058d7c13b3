"""A session small enough to digitize in half a second, the program run under watch, and what must hold of a folder of results.

In: the path of the built program. Out: sessions as `simulate.py` draws them, what a run said and took, and complaints as sentences.
"""

import hashlib
import json
import os
import pathlib
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field

import scenarios
import simulate
import tifffile

MEGAPIXELS = 0.35
ADDRESS_SPACE = 4 << 30  # bytes; what asks for more is ended by the system, and counts as a failure
PEAK_MIB = 1024  # a sound run of this session takes a tenth of it
SLOWEST = 60  # seconds for one run, whatever comes in; a sound one takes less than one


@dataclass
class Row:
    """A line of the table, and a sentence for each failure that lets one reproduce it."""

    what: str
    tried: int = 0
    failures: list = field(default_factory=list)
    note: str = ""
    seconds: float = 0.0

    def count(self, label, complaints):
        """One more thing tried; it held if there is nothing to complain of."""
        self.tried += 1
        if complaints:
            self.failures.append(f"{label}: {'; '.join(complaints)}")

    @property
    def held(self):
        return self.tried - len(self.failures)


@dataclass
class Ran:
    """What a run of the program said. A signal that ended it is a negative status, as in `subprocess`; too slow is None."""

    status: int | None
    out: str
    err: str
    seconds: float
    peak_mib: float

    @property
    def message(self):
        """What it said on standard error, on one line and not too long."""
        said = " / ".join(self.err.split("\n")).rstrip(" /")
        return said if len(said) < 400 else f"{said[:250]} … {said[-100:]}"


@dataclass
class Bench:
    """What all rows share."""

    program: str
    folder: pathlib.Path
    seed: int

    def run(self, *arguments, prints_to=None):
        """Runs the program within bounds of memory and time. `prints_to`: a device for its standard output, which is then not had back."""
        with open(prints_to, "wb") if prints_to else tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            began = time.monotonic()
            child = subprocess.Popen([self.program, *map(str, arguments)], stdin=subprocess.DEVNULL, stdout=out, stderr=err,
                                     preexec_fn=_bounded, env=os.environ | {"RUST_BACKTRACE": "0"})
            ended, status, usage = 0, 0, None
            while not ended and time.monotonic() - began < SLOWEST:
                ended, status, usage = os.wait4(child.pid, os.WNOHANG)
                if not ended:
                    time.sleep(0.002)
            seconds = time.monotonic() - began
            if not ended:
                child.send_signal(signal.SIGKILL)
                _, _, usage = os.wait4(child.pid, 0)
            child.returncode = os.waitstatus_to_exitcode(status) if ended else -signal.SIGKILL  # reaped here, so that Popen need not
            said = ["" if f.name == prints_to else (f.seek(0), f.read().decode(errors="replace"))[1] for f in (out, err)]
            return Ran(child.returncode if ended else None, *said, seconds, usage.ru_maxrss / 1024)

    def sound(self, *arguments):
        """A run that nothing stands in the way of: all else is held against it, so that nothing can be said where it fails."""
        ran = self.run(*arguments, "--quiet")
        if ran.status != 0:
            sys.exit(f"faults: an undisturbed {arguments[0]} ended with {ran.status}: {ran.message}")
        return ran

    def start(self, *arguments):
        """A run that is left to itself and says nothing."""
        silent = subprocess.DEVNULL
        return subprocess.Popen([self.program, *map(str, arguments), "--quiet"], stdin=silent, stdout=silent, stderr=silent)

    def session(self, name, kind="jpeg", bracket=False):
        """A session of two plates, drawn anew."""
        scenario = "faults-" + name
        spec = dict(ids=["K-01", "K-02"], kind=kind, small=1.0, blanks=2, colour=kind in ("dng", "heic"))
        if bracket:
            scenarios.BRACKETS[scenario] = spec | scenarios.BRACKETS["bracket-two-thirds"]
        scenarios.ALL[scenario] = scenarios.BRACKETS[scenario] if bracket else spec | dict(encoded=kind != "dng")
        folder = self.folder / name
        simulate.build(scenario, folder, MEGAPIXELS)
        return folder


def _bounded():
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))


def copy_of(folder, to):
    """A fresh copy, in place of what an earlier harm left there."""
    shutil.rmtree(to, ignore_errors=True)
    return pathlib.Path(shutil.copytree(folder, to, symlinks=True))


def digest(path):
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digests(folder):
    """Every file below a folder that is not hidden; hidden ones are the program's own."""
    files = (p for p in sorted(folder.rglob("*")) if p.is_file() and not any(part.startswith(".") for part in p.relative_to(folder).parts))
    return {str(p.relative_to(folder)): digest(p) for p in files}


def changed(was, now):
    """What differs between two states of a folder."""
    return [f"{name} {'is gone' if name not in now else 'is new' if name not in was else 'differs'}"
            for name in sorted(was.keys() | now.keys()) if was.get(name) != now.get(name)]


def half_written(out, ended):
    """Complaints about files under final names. `ended`: the run came to its own end, so that nothing unfinished may lie about."""
    said = []
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out)
        if ended and path.name.startswith(".hyaline-"):
            said.append(f"{name} was left behind")
        if path.is_dir() or any(part.startswith(".") for part in name.parts):
            continue
        try:
            said += [f"{name}: {what}" for what in _unsound(path)]
        except Exception as e:  # whatever a reader makes of it, the file is not whole
            said.append(f"{name} cannot be read: {e}")
    return said


def _unsound(path):
    if path.suffix == ".tif":
        tifffile.imread(path)
    elif path.suffix == ".json":
        told = json.loads(path.read_text(), parse_constant=_no_number)
        if path.name.endswith("-record.json"):
            for output in told["outputs"]:
                file = path.parent / output["file"]
                if not file.is_file() or digest(file) != output["sha256"]:
                    yield f"its output {output['file']} is not the file that it tells of"
    elif path.suffix == ".jpg":
        if not path.read_bytes().endswith(b"\xff\xd9"):
            yield "it does not end as a JPEG does"
    elif path.suffix == ".html":
        if not path.read_text().rstrip().endswith("</html>"):
            yield "it does not end as a page does"
    elif path.name == "digests.sha256":
        if any(len(line.split("  ", 1)[0]) != 64 for line in path.read_text().splitlines()):
            yield "a line begins with no digest"
    else:
        yield "no result is called so"


def _no_number(text):
    raise ValueError(f"{text} is no number of JSON")
