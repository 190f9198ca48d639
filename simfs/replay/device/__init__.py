"""Is the device: its clock, its store, and notes of every operation. It must not know where operations come from."""
