"""Power cuts in the sector writes of a card: what each leaves, what the firmware finds, and what mending gives. It must
not know how that is shown.
"""
