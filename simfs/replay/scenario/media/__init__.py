"""What the files of a device are on: the tables of a chip and of a removable card. It must not know what is stored
there, nor what a run does."""
