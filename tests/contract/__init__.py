"""The contract of every kind of store, kept by the in-memory model: all that speaks to the contract works on it."""
