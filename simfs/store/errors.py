"""The error that says a flash does not hold a sound store."""

import errno


class CorruptStore(OSError):
    """The flash holds no store, another format version, or a damaged one. `errno` is EIO; the text names the place."""

    def __init__(self, text: str) -> None:
        super().__init__(errno.EIO, text)
