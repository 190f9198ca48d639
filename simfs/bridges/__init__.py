"""Offers a store through other people's interfaces, each of which needs what its extra installs. It must not know
arguments of the command line, or what its commands print."""
