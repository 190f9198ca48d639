"""When a device does what a recording says."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Pace:
    """At the times of the recording, or all of them further apart or closer together, so that its `span_ns` take
    `takes_ns` on the device. A host does in seconds what a device does in days."""

    first_ns: int = 0
    span_ns: int = 1
    takes_ns: int = 1

    def at(self, recorded_ns: int) -> int:
        """Device time of a time of the recording."""
        return self.first_ns + (recorded_ns - self.first_ns) * self.takes_ns // self.span_ns


AS_RECORDED = Pace()
