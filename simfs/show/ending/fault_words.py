"""What a check of a card finds, in words."""

FAULT_WORDS = {
    "unreadable": "a sector that can't be read",
    "lost chain": "clusters that belong to no file",
    "chain": "a chain that breaks, or runs into another file",
    "chain too long": "a chain longer than its file",
    "size": "a size beyond its chain",
    "copies differ": "copies of the table that differ",
    "stray name": "pieces of a long name that belong to nobody",
    "dots": "a directory that does not lead to itself and to the one above",
    "no directory": "a directory that begins nowhere",
    "free count": "a wrong count of free clusters",
    "dirty mark": "the mark of a volume in use",
    "same name": "two equal names",
    "bad name": "a name that none may have",
    "backup differs": "a backup of the boot sector that differs",
    "no volume": "no volume any more",
}
