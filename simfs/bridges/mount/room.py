"""The room of a store in the words of statvfs."""

from __future__ import annotations

from simfs.files.contract import AnyStore

HEADER_BYTES = 32  # that a store keeps beside a name, at most
COMPONENT_BYTES_MAX = 255  # what a host's directory can show of one name


def statfs_of(store: AnyStore) -> dict[str, int]:
    """Free is what one more file could hold, in whole pages; or so many empty files of the longest name, each with
    room for its removal. Sizes are in pages of `f_frsize` bytes."""
    size = store.medium.unit_bytes
    whole, free = (room // size for room in store.file_room())
    limit_bytes = store.name_rules.limit_bytes
    more_files = free // (2 * -(-(limit_bytes + HEADER_BYTES) // size))
    files = len(store.names()) + more_files
    return {
        "f_bsize": size, "f_frsize": size, "f_blocks": whole, "f_bfree": free, "f_bavail": free,
        "f_files": files, "f_ffree": more_files, "f_favail": more_files,
        "f_namemax": min(limit_bytes - 2, COMPONENT_BYTES_MAX),
    }  # fmt: skip
