"""Moves a scenario to the other kind of store and looks at what its run does there. It must not know recordings."""
