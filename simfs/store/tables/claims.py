"""Claims on names: how many frames on the flash give each name to a file, and where the newest claim of a free name
stands. A tombstone is dropped exactly when no older claim is left that it has to override."""

from __future__ import annotations

from simfs.store.format.layout import Layout
from simfs.store.tables.blocks import BlockTable


class Claims:
    """`bearers` of a key (a name, folded if need be): NAME and RENAME frames on the flash that give it to a file,
    live and dead."""

    def __init__(self, layout: Layout, blocks: BlockTable, fold_case: bool) -> None:
        self._layout = layout
        self._charge = blocks.charge
        self._fold = fold_case
        self.bearers: dict[bytes, int] = {}
        self.tombs: dict[bytes, tuple[int, int]] = {}  # (place, cost) of the claim that frees a name still borne
        self.tomb_bytes = 0  # room of these
        self.promised = 0  # room kept for the REMOVE of every live name

    def key(self, name: bytes) -> bytes:
        """What makes two names the same."""
        return name.lower() if self._fold else name

    def cost(self, name: bytes) -> int:
        """Room of a NAME or REMOVE frame of this name."""
        return self._layout.frame_cost(len(name))

    def bear(self, name: bytes) -> None:
        """Note a new frame that gives the name to a file; it is the newest claim of that name."""
        key = self.key(name)
        self.bearers[key] = self.bearers.get(key, 0) + 1
        self._drop_tomb(key)

    def free_name(self, name: bytes, place: int) -> None:
        """Note that the newest claim, at `place`, says that the name is free."""
        key = self.key(name)
        self._drop_tomb(key)
        if key in self.bearers:
            cost = self.cost(name)
            self.tombs[key] = (place, cost)
            self.tomb_bytes += cost
            self._charge(place, cost)

    def erased(self, keys: list[bytes]) -> None:
        """Note that frames that gave these names to files are gone with their block. A tombstone that overrides nothing
        is dead."""
        for key in keys:
            self.bearers[key] -= 1
            if not self.bearers[key]:
                del self.bearers[key]
                self._drop_tomb(key)

    def must_move(self, name: bytes, place: int, going: list[bytes]) -> bool:
        """Whether the tombstone at `place` is still needed when the frames that bear the keys `going` go with it."""
        key = self.key(name)
        return self.tombs.get(key, (0, 0))[0] == place and self.bearers[key] > going.count(key)

    def drop_tomb_at(self, name: bytes, place: int) -> None:
        """Drop a tombstone, which goes with its block, as does everything that it overrode."""
        key = self.key(name)
        if self.tombs.get(key, (0, 0))[0] == place:
            self._drop_tomb(key)

    def _drop_tomb(self, key: bytes) -> None:
        place, cost = self.tombs.pop(key, (0, 0))
        self.tomb_bytes -= cost
        self._charge(place, -cost)
