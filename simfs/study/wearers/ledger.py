"""What was programmed into each erase block and by whom, and how an erase is shared among them."""

from __future__ import annotations

from collections import defaultdict

from simfs.study.wearers.report import ERASE_PARTS, Wearer, Wearers, in_order

FILES_MAX = 100_000
OTHER_FILES = "(other files)"


class Ledger:
    """Bytes and erases by account: a number for each task, file and kind. Beyond FILES_MAX names files are not told
    apart."""

    def __init__(self, block_count: int) -> None:
        self.in_block: list[defaultdict[int, int]] = [defaultdict(int) for _ in range(block_count)]
        self._numbers: dict[tuple[str, str, str], int] = {}  # by task, file and kind
        self._names: set[str] = set()
        self._bytes: defaultdict[int, int] = defaultdict(int)
        self._parts: defaultdict[int, int] = defaultdict(int)
        self._uncounted: int | None = None
        self._erases = 0

    def number(self, task: str, file: str, kind: str) -> int:
        """The number of an account."""
        known = self._numbers.get((task, file, kind))
        if known is not None:
            return known
        if file not in self._names:
            if len(self._names) < FILES_MAX:
                self._names.add(file)
            else:
                file = OTHER_FILES
        return self._numbers.setdefault((task, file, kind), len(self._numbers))

    def before(self, account: int, block: int, count_bytes: int) -> None:
        """So many bytes stood in the block already. They share in its erase, and are not among those programmed."""
        self._uncounted = account
        self.in_block[block][account] = count_bytes

    def erased(self, block: int, otherwise: int) -> None:
        """The block was erased: that is shared over the bytes programmed into it since its erase before. Where there
        are none, it is all charged to the account `otherwise`."""
        programmed, self.in_block[block] = self.in_block[block], defaultdict(int)
        self._erases += 1
        for account, count_bytes in programmed.items():
            self._bytes[account] += count_bytes
        for account, parts in shares(programmed or {otherwise: 1}).items():
            self._parts[account] += parts

    def report(self) -> Wearers:
        """All accounts, with what stands in the blocks now."""
        totals = self._bytes.copy()
        for programmed in self.in_block:
            for account, count_bytes in programmed.items():
                totals[account] += count_bytes
        if self._uncounted is not None:
            totals[self._uncounted] = 0
        wearers = in_order(
            Wearer(*account, totals[number], self._parts[number])
            for account, number in self._numbers.items()
            if totals[number] or self._parts[number]
        )
        return Wearers(sum(totals.values()), self._erases, wearers)


def shares(programmed: dict[int, int]) -> dict[int, int]:
    """The parts of one erase for each account, by its bytes: ERASE_PARTS in all. What rounding down leaves goes to
    those with the largest rests, one part each."""
    total = sum(programmed.values())
    parts = {account: ERASE_PARTS * count_bytes // total for account, count_bytes in programmed.items()}
    left = ERASE_PARTS - sum(parts.values())
    if left:
        by_rest = sorted(programmed, key=lambda account: (-(ERASE_PARTS * programmed[account] % total), account))
        for account in by_rest[:left]:
            parts[account] += 1
    return parts
