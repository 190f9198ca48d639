"""Files written whole or not at all."""

from __future__ import annotations

import errno
import os


def write_whole(path: str, content: bytes) -> None:
    """Put `content` into the file at `path`, replacing what was there in one step.

    Raises OSError, also where that is no regular file, such as a device; on any failure `path` stays as it was.
    """
    target = os.path.realpath(path)
    if os.path.exists(target) and not os.path.isfile(target):
        raise OSError(errno.EINVAL, "it is not a regular file", path)
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
