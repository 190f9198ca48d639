"""Does many appends at once and leaves the same flash, tables and counts as one after the other would. It must not know
where the bytes come from, or for how long a device is simulated."""
