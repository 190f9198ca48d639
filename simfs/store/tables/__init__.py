"""Holds what a mounted store knows in RAM: its blocks, the names, where the bytes of files lie, and counts of work
done. It must not know the flash, which it neither reads nor writes."""
