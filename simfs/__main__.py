"""`python -m simfs`."""

from simfs.cli import main

main()
