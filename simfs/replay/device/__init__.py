"""Is the device: its clock, the store in it, and notes of every operation. It must not know where operations come from.
"""
