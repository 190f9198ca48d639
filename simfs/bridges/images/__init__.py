"""Builds images of flash from directories, reads them back, and salvages what is left in damaged ones. It must not know
mounts, tests, or the arguments of the command line."""
