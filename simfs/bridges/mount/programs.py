"""The names of the programs that ask, by their processes."""

from __future__ import annotations

import os

HOST = "(host)"  # of a process that nobody knows
OPEN_MAX = 16
NAME_BYTES_MAX = 64


class Programs:
    """Keeps open what the host tells of the processes that asked last: to read it again is quick, and tells when a
    process runs another program, or has ended."""

    def __init__(self) -> None:
        self._open: dict[int, int] = {}

    def name_of(self, process: int) -> str:
        """What the host calls the program that the process runs now."""
        number = self._open.get(process)
        if number is not None:
            try:
                return _name_in(number)
            except OSError:  # it has ended, and the number may belong to another
                os.close(self._open.pop(process))
        try:
            number = os.open(f"/proc/{process}/comm", os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return HOST
        if len(self._open) == OPEN_MAX:
            os.close(self._open.pop(next(iter(self._open))))
        self._open[process] = number
        try:
            return _name_in(number)
        except OSError:
            return HOST

    def __del__(self) -> None:
        for number in self._open.values():
            os.close(number)


def _name_in(number: int) -> str:
    return os.pread(number, NAME_BYTES_MAX, 0).decode("utf-8", "backslashreplace").rstrip("\n") or HOST
