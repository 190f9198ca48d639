"""Whether a store that refuses a call for want of room has too little."""

from __future__ import annotations

from simfs.files import Store
from simfs.store.format.layout import buffer_bytes

FRAME_MORE_BYTES = 64  # of a frame that are neither data nor name, at most
FRAMES_BESIDE = 4


def room_left(store: Store) -> int:
    """Bytes."""
    usage = store.usage()
    return usage.capacity_bytes - usage.live_bytes


def room_needed(store: Store, data_bytes: int, open_files: int) -> int:
    """A call that writes no more data than this may not be refused where there are more bytes of room. Generous: each
    open file may need a frame for its buffer, and a frame fills its pages."""
    config, page_bytes = store.config, store.flash.geometry.page_bytes
    buffer = buffer_bytes(config, page_bytes)
    frames = FRAMES_BESIDE + open_files + data_bytes // buffer
    return frames * (buffer + config.name_bytes + FRAME_MORE_BYTES + 2 * page_bytes)
