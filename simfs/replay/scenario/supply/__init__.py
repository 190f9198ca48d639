"""What the device runs from: the table of a battery. It must not know what is stored, nor what a run does."""
