"""What the firmware of a device with flash and a card does by itself: it brings to the card what waits on the flash."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count

from simfs.files.both.pair import Pair, both_of
from simfs.replay.device.both_notes import TO_CARD_TASK
from simfs.replay.device.device import Device
from simfs.replay.scenario.media.both import absences_of
from simfs.replay.scenario.tables import Scenario


class ToCard:
    """Due like a task: it looks what waits, and brings one file after the other, each as an operation of its own."""

    ended = boots = False

    def __init__(self, device: Device) -> None:
        self._device = device

    def run(self, due_ns: int, boot_count: int) -> None:
        """Bring all that waits now."""
        device = self._device
        names = device.perform(TO_CARD_TASK, "look", "", lambda: self._pair().waiting(), writes=False)
        for name in names or ():
            device.perform(TO_CARD_TASK, "bring", name, lambda name=name: self._pair().bring(name), writes=True)  # type: ignore[misc]

    def _pair(self) -> Pair:
        pair = both_of(self._device.store)
        assert pair is not None  # it is due for no other store
        return pair


def to_card_times(scenario: Scenario) -> Iterator[int]:
    """When it is due: a buffer every so often, a mirror when the card comes back."""
    start_ns = scenario.run.start
    if scenario.both is None:
        return iter(())
    if scenario.both.role == "buffer":
        return count(start_ns + scenario.both.drain_every_ns, scenario.both.drain_every_ns)
    end_ns = start_ns + scenario.run.duration
    return iter(absences_of(scenario.card_out, start_ns).backs(start_ns, end_ns))
