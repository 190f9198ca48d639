"""Holds who wears the flash: each programmed byte and each erase, charged to a task, a file and a kind. It must not
know how that is shown."""
