"""A removable card as a firmware sees it: sectors with their time and energy, FAT volumes on them, a small driver, a
checker. It must not know flash, logs, or who uses a file."""
