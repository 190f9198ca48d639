"""The kinds of device that a first scenario may be of, and what is asked about each."""

from __future__ import annotations

from dataclasses import dataclass

KIB = 1024
DAY_NS = 86_400 * 10**9


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of device. What is left unasked or unanswered is as here."""

    name: str
    about: str
    store_bytes: int
    every: str
    content: str
    keep: str  # "" where nothing is kept
    every_means: str
    content_means: str
    keep_means: str = "how long the device keeps it"
    in_lines: bool = False  # whether a text ends with a new line
    runs_max: int = 100_000  # of the task, so that a replay takes seconds
    records_each: float = 1.0  # written in a run of the task, on average
    added_bytes: int = 20  # what the store writes beside each record, about


KINDS = {
    kind.name: kind
    for kind in (
        Kind(
            "logger",
            "readings at a steady pace, a file for each day",
            1024 * KIB,
            "10 min",
            "{date} {time},{temperature},{humidity}\\n",
            "60 d",
            "how often the device writes down its readings",
            "the line that it writes each time",
            in_lines=True,
            runs_max=1_000_000,
        ),
        Kind(
            "settings",
            "one small file, written whole and renamed over the old one",
            64 * KIB,
            "30 min",
            "target={target}\\nmode=auto\\nchannel=6\\nname=attic\\n",
            "",
            "how often a setting changes",
            "the settings as the file has them",
            runs_max=30_000,
            added_bytes=100,
        ),
        Kind(
            "ring",
            "the newest samples in one file of fixed size, written in place",
            256 * KIB,
            "5 min",
            "64 B",
            "1 d",
            "how often the device takes a sample",
            "the size of one sample",
        ),
        Kind(
            "events",
            "events that come in bursts, a file for each day",
            512 * KIB,
            "30 min",
            "{time} pump {pump} pressure {pressure}\\n",
            "14 d",
            "how often a burst of events comes",
            "the line that each event writes",
            in_lines=True,
            records_each=11.5,
        ),
        Kind(
            "queue",
            "messages that wait in a file each until they are sent",
            256 * KIB,
            "10 min",
            "{date} {time} level={level} battery={battery}",
            "12 h",
            "how often the device makes a message",
            "the message",
            "how long a message waits until it is sent",
            added_bytes=100,
        ),
    )
}

READINGS = {  # mean, digits after the point, noise
    "temperature": (18.5, 1, 0.4),
    "humidity": (62.0, 0, 3.0),
    "target": (20.5, 1, 1.5),
    "pump": (2.0, 0, 1.0),
    "pressure": (4.2, 2, 0.3),
    "level": (2.4, 3, 0.02),
    "battery": (3.6, 2, 0.05),
}
"""What the readings of the texts above are like."""
ANY_READING = (20.0, 1, 0.5)
"""And a reading of somebody's own text, until its owner says better."""
