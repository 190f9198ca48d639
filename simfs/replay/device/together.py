"""Writes that were done at once, noted one by one: what a device notes of them is what it would note of each."""

from __future__ import annotations

from collections.abc import Sequence

from simfs.replay.device.device import Device
from simfs.replay.device.notes import Stall
from simfs.store.file_bytes import Filled


def note_together(
    device: Device, task: str, operation: str, name: str, due_ns: Sequence[int], host_bytes: int,
    filled: Sequence[Filled], program_bytes: int,
) -> None:  # fmt: skip
    """Note writes of a task that has written to this file before, each due at its time. `filled` are those that
    programmed anything; the others only waited in the file's buffer."""
    tally, writes, typ_ns, max_ns = device.tasks[task], device.writes, device.program_typ_ns, device.program_max_ns
    tally.operations[operation] += len(due_ns)
    tally.host_bytes += host_bytes
    tally.program_bytes += program_bytes
    waited = len(due_ns) - len(filled)
    if waited:
        writes.count += waited
        writes.histogram[0] += waited
    for number, programs, live_bytes in filled:
        began_ns, busy_ns, busy_max_ns = max(device.now_ns, due_ns[number]), programs * typ_ns, programs * max_ns
        if writes.stands_out(busy_ns, busy_max_ns, 0):
            at_ns = began_ns - device.start_ns
            writes.keep(Stall(at_ns, task, operation, name, busy_ns, busy_max_ns, programs, 0, 0, 0))
        tally.programs += programs
        tally.busy_ns += busy_ns
        device.now_ns = began_ns + busy_ns
        device.busy_with = task, operation
        device.note_room(live_bytes)
