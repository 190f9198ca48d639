"""The card: its sectors, FAT volumes, the driver's order of writes, checks, and programs of others on
the same volumes."""
