"""Hostile input: what nobody sane would hand to simfs, made on purpose, and judges that hold the promise about it.

The promise: an image, a scenario, a recording or a name that is bad ends in a documented error, never in another
exception, a hang or memory without bound. Work is bounded by the flash's own counters, never by a clock.
"""
