"""States the contract of every kind of store, and gives files on our log their names, open modes and handles; the
in-memory model, which tests take for the truth, keeps the contract too. It must not know how a store cleans, levels or
recovers."""

from simfs.files.store import Store

__all__ = ["Store"]
