"""What a volume that breaks the rules raises."""

from __future__ import annotations

import errno


class BadVolume(OSError):
    """Not a FAT volume, or one that contradicts itself. The text names the place and what would be right."""

    def __init__(self, what: str) -> None:
        super().__init__(errno.EIO, what)
