"""Finds a log on the flash, settles what a power cut left uncertain, and fills the tables. It must not know who asked
for the mount, or how long ago the power was cut."""
