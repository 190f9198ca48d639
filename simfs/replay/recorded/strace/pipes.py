"""Pipes through which `splice` carries bytes from a file of the store to another one."""

from __future__ import annotations

from collections import deque

HELD_BYTES_MAX = 1 << 20  # a pipe of Linux holds no more, unless root says so


class Pipes:
    """The bytes that wait in each pipe, by what -y shows of it. What else uses a pipe makes its bytes unknown."""

    def __init__(self) -> None:
        self._held: dict[str, deque[bytes]] = {}
        self._disturbed: set[str] = set()

    def put(self, shown: str | None, data: bytes | None, size_bytes: int) -> None:
        """Bytes go in; None if they are not known."""
        if shown is None or not shown.startswith("pipe:") or shown in self._disturbed:
            return
        held = self._held.setdefault(shown, deque())
        if data is None or sum(map(len, held)) + size_bytes > HELD_BYTES_MAX:
            self.disturb(shown)
        else:
            held.append(data)

    def take(self, shown: str | None, size_bytes: int) -> bytes | None:
        """So many bytes come out; None if they are not known."""
        if shown not in self._held:
            return None
        held = self._held[shown]
        if sum(map(len, held)) < size_bytes:
            self.disturb(shown)
            return None
        whole = b"".join(held)
        self._held[shown] = deque([whole[size_bytes:]])
        return whole[:size_bytes]

    def disturb(self, shown: str) -> None:
        """Other bytes went in or came out."""
        self._held.pop(shown, None)
        self._disturbed.add(shown)
