"""What the firmware notes on the flash of what it has to know of the card over a reset."""

from __future__ import annotations

from contextlib import suppress

from simfs.files.store import Store

NOTES = "/.card"


class Notes:
    """Lines in a file of the flash. Where the flash has no room for one, it is lost at the next reset."""

    def __init__(self, flash: Store) -> None:
        self._flash = flash

    def lines(self) -> list[str]:
        """All of them; none where there is no such file."""
        if not self._flash.exists(NOTES):
            return []
        with self._flash.open(NOTES) as file:
            return (file.read() or b"").decode("utf-8", "surrogateescape").splitlines()

    def add(self, line: str) -> None:
        """One more."""
        self._write(line, "a")

    def put(self, line: str) -> None:
        """This one alone."""
        self._write(line, "w")

    def drop(self) -> None:
        """None any more."""
        if self._flash.exists(NOTES):
            self._flash.remove(NOTES)

    def _write(self, line: str, mode: str) -> None:
        with suppress(OSError), self._flash.open(NOTES, mode) as file:
            file.write(f"{line}\n".encode("utf-8", "surrogateescape"))
