"""Keeps files in a log on the erase blocks of a flash, wears these evenly and finds everything again at a mount. It
must not know open modes, scenarios, or how anything is shown."""
