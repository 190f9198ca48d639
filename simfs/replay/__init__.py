"""Makes a device do what a scenario, a script or a recording says, at the times given there. It must not know how a
figure is worked out or shown."""
