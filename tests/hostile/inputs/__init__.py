"""Makes hostile inputs, each with what may come of it."""
