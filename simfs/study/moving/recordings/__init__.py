"""Replays a recording on the new store and looks at what that does there. It must not know tasks of a scenario."""
