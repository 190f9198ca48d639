"""The errors of a store that are not the host's own."""

import errno


class CorruptStore(OSError):
    """The flash holds no store, another format version, or a damaged one. `errno` is EIO; the text names the place, and
    `address` is that of the flash where it is one."""

    def __init__(self, text: str, address: int | None = None) -> None:
        super().__init__(errno.EIO, text)
        self.address = address


class OutOfBlocks(OSError):
    """The log has no block left to go on in: ENOSPC, or EROFS if that is because blocks were lost."""

    def __init__(self, lost_count: int) -> None:
        if lost_count:
            super().__init__(errno.EROFS, f"{lost_count} erase blocks can't be used any more: the store is read-only")
        else:
            super().__init__(errno.ENOSPC, "no erase block can be freed")
