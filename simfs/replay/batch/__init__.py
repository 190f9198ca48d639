"""Plays a scenario's tasks in batches and in whole periods, wherever that leaves the same as one by one. It must not
know what is worked out from the notes."""
