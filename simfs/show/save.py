"""Files written whole or not at all."""

from __future__ import annotations

import os


def write_whole(path: str, content: bytes) -> None:
    """Put `content` into the file at `path`, replacing what was there in one step.

    Raises OSError; on any failure `path` stays as it was.
    """
    target = os.path.realpath(path)
    beside = f"{target}.{os.getpid()}.part"
    with open(beside, "xb") as file:
        try:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
            os.replace(beside, target)
        except BaseException:
            os.unlink(beside)
            raise
