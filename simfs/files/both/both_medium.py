"""Flash and card together as one medium, and the counters of a store on both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from simfs.files.card_medium import CardMedium
from simfs.files.contract import Mark, Meters, SpentNow
from simfs.files.flash_medium import FlashMedium
from simfs.files.memory_medium import MemoryMeters


class BothMedium:
    """The medium that is a flash and a card. Its marks are theirs, one behind the other; what it spent is the sum. It
    has no blocks, as theirs differ."""

    kind = "flash or card"
    is_timed = True
    block_bytes = block_count = 0

    def __init__(self, flash: FlashMedium, card: CardMedium) -> None:
        self.flash, self.card = flash, card
        self._marks_of_flash = len(flash.mark())

    @property
    def name(self) -> str:
        return f"{self.flash.name}, {self.card.name}"

    @property
    def size_bytes(self) -> int:
        return self.flash.size_bytes + self.card.size_bytes

    @property
    def unit_bytes(self) -> int:
        return self.flash.unit_bytes

    @property
    def supply_mv(self) -> int:
        return self.flash.supply_mv

    @property
    def standby_nw(self) -> int:
        return self.flash.standby_nw + self.card.standby_nw

    def current_sources(self) -> Mapping[str, str]:
        found = {f"flash, {what}": source for what, source in self.flash.current_sources().items()}
        return found | {f"card, {what}": source for what, source in self.card.current_sources().items()}

    def mark(self) -> Mark:
        return (*self.flash.mark(), *self.card.mark())

    def since(self, mark: Mark) -> SpentNow:
        of_flash, of_card = self._parted(mark)
        one, other = self.flash.since(of_flash), self.card.since(of_card)
        return (
            one[0] + other[0], one[1] + other[1], one[2] + other[2], one[3] + other[3], one[4] + other[4],
            one[5] + other[5], one[6] + other[6], one[7] + other[7],
        )  # fmt: skip

    def energy_nj(self, mark: Mark) -> int:
        of_flash, of_card = self._parted(mark)
        return self.flash.energy_nj(of_flash) + self.card.energy_nj(of_card)

    def _parted(self, mark: Mark) -> tuple[Mark, Mark]:
        return mark[: self._marks_of_flash], mark[self._marks_of_flash :]


class BothMeters:
    """See `Meters`. Bytes that the firmware wrote count once, whichever media they went to; the rest is the sum. A copy
    of it stands still."""

    def __init__(self, flash: Meters, card: Meters) -> None:
        self._flash, self._card = flash, card
        self.host_bytes = self.names_cut = 0

    @property
    def payload_bytes_programmed(self) -> int:
        return self._flash.payload_bytes_programmed + self._card.payload_bytes_programmed

    @payload_bytes_programmed.setter
    def payload_bytes_programmed(self, value: int) -> None:
        raise AttributeError("it is the sum of both")

    @property
    def relocated_bytes(self) -> int:
        return self._flash.relocated_bytes

    @relocated_bytes.setter
    def relocated_bytes(self, value: int) -> None:
        raise AttributeError("it is that of the flash")

    @property
    def cleanings(self) -> int:
        return self._flash.cleanings

    @cleanings.setter
    def cleanings(self, value: int) -> None:
        raise AttributeError("it is that of the flash")

    def on(self, flash: Meters, card: Meters) -> BothMeters:
        """The same over a boot, which makes new stores."""
        again = BothMeters(flash, card)
        again.host_bytes, again.names_cut = self.host_bytes, self.names_cut
        return again

    def __copy__(self) -> MemoryMeters:
        return MemoryMeters(
            self.host_bytes, self.payload_bytes_programmed, self.relocated_bytes, self.cleanings, self.names_cut
        )


@dataclass(slots=True)
class Readings:
    """What became of the readings; one is what one write hands over. All counts are of the run so far.

    written       that the flash took
    refused       that it did not
    waiting       by file: the sizes of those that are on the flash alone
    waiting_most  the most at once
    on_card       by file: the sizes of those that were brought to the card, and are not on the flash any more
    card_refused  operations that the card refused although it was in; the flash has them
    card_full_ns  the device time when the card refused first because it was full
    """

    written: int = 0
    refused: int = 0
    waiting: dict[str, list[int]] = field(default_factory=dict)
    waiting_most: int = 0
    on_card: dict[str, list[int]] = field(default_factory=dict)
    card_refused: int = 0
    card_full_ns: int | None = None

    @property
    def only_on_flash(self) -> int:
        return sum(map(len, self.waiting.values()))

    def wait(self, name: str, sizes: list[int]) -> None:
        """So many more are on the flash alone."""
        self.waiting.setdefault(name, []).extend(sizes)
        self.waiting_most = max(self.waiting_most, self.only_on_flash)

    def forget(self, name: str) -> None:
        """The firmware took the file away, or wrote it anew."""
        self.waiting.pop(name, None)
        self.on_card.pop(name, None)

    def rename(self, old: str, new: str) -> None:
        """The same readings by another name."""
        for of_each in (self.waiting, self.on_card):
            sizes = of_each.pop(old, None)
            of_each.pop(new, None)
            if sizes is not None:
                of_each[new] = sizes
