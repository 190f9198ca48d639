"""The file operations of one task of a device, as firmware does them: open, do one thing, close.

Scripts and tables use the same ones. Each is performed by the device, so that an error of the store is noted as a
refusal and not raised; what an operation gives back is then None.
"""

from __future__ import annotations

from simfs.replay.device.device import Device


class DeviceTask:
    """`name` is what the report calls the task. `pattern` stands for the name where refusals are grouped."""

    def __init__(self, device: Device, name: str) -> None:
        self.device = device
        self.name = name

    @property
    def refused(self) -> int:
        """Operations of this task that were refused so far."""
        tally = self.device.tasks.get(self.name)
        return tally.refused if tally else 0

    def append(self, name: str, data: bytes, pattern: str = "") -> None:
        """Open for append, write, close."""
        self._put("append", name, "a", data, pattern)

    def write(self, name: str, data: bytes, pattern: str = "") -> None:
        """Write the whole file anew."""
        self._put("write", name, "w", data, pattern)

    def create(self, name: str, data: bytes = b"", pattern: str = "") -> None:
        """Create a file that must not be there yet."""
        self._put("create", name, "x", data, pattern)

    def update(self, name: str, at: int, data: bytes, pattern: str = "") -> None:
        """Write into a file in place, from byte `at` on."""

        def action() -> None:
            with self.device.store.open(name, "r+") as file:
                file.seek(at)
                file.write(data)

        self.device.perform(self.name, "update", name, action, writes=True, pattern=pattern)

    def read(
        self, name: str, at: int = 0, size: int = -1, pattern: str = "", due_ns: int | None = None
    ) -> bytes | None:
        """Read `size` bytes (all that follow, when negative) from byte `at` on."""

        def action() -> bytes:
            with self.device.store.open(name, "r") as file:
                if at:
                    file.seek(at)
                return file.read(size) or b""

        return self.device.perform(self.name, "read", name, action, writes=False, pattern=pattern, due_ns=due_ns)

    def remove(self, name: str, pattern: str = "") -> None:
        """Remove a file."""
        action = self.device.store.remove
        self.device.perform(self.name, "remove", name, lambda: action(name), writes=True, pattern=pattern)

    def rename(self, name: str, to: str, pattern: str = "") -> None:
        """Rename a file, replacing whatever has the new name."""
        action = self.device.store.rename
        self.device.names_used.add(to)
        self.device.perform(self.name, "rename", name, lambda: action(name, to), writes=True, pattern=pattern)

    def truncate(self, name: str, size: int, pattern: str = "") -> None:
        """Cut a file, or extend it with zeros."""
        action = self.device.store.truncate
        self.device.perform(self.name, "truncate", name, lambda: action(name, size), writes=True, pattern=pattern)

    def names(self, prefix: str = "") -> list[str]:
        """The names that begin with `prefix`."""
        action = self.device.store.names
        return self.device.perform(self.name, "list", prefix, lambda: action(prefix), writes=False) or []

    def _put(self, operation: str, name: str, mode: str, data: bytes, pattern: str) -> None:
        def action() -> None:
            with self.device.store.open(name, mode) as file:
                file.write(data)

        self.device.perform(self.name, operation, name, action, writes=True, pattern=pattern)
