"""The bytes of a FAT volume: boot sector, entries of the table, directory entries, names, and how a new volume is
laid out. It must not know in which order a driver writes them."""
