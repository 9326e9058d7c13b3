"""One kind of bad input, and what is promised of it."""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass
class Kind:
    """`harm` takes the session's folder and a random generator; what it gives, if anything, are the arguments to run instead."""

    label: str
    harm: Callable
    status: tuple = (0, 1)
    named: tuple = ("session.toml",)  # one of these stands in the message of a run that failed
    spares: str = ""  # the plate that must be done all the same
    base: str = "jpeg"  # kind of the frames, or "done" for JPEGs with their results
    prints_to: str | None = None  # a device in place of standard output
    harms_results: bool = False  # the results are harmed already, and tell nothing of the run
