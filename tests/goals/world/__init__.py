"""A small world, searched whole: a store of a few tiny blocks, and everything that power cuts in a row can do to it."""
