"""Other people's interfaces to a store. Each needs what its extra installs, and nothing but the commands uses it."""
