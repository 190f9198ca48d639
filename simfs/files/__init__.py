"""States the contract of every kind of store, gives files on our log their names, open modes and handles, and holds the
in-memory model that tests take for the truth. It must not know how a store cleans, levels or recovers."""

from simfs.files.store import Store

__all__ = ["Store"]
