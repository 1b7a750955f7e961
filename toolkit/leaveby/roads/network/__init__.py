"""The road network, its grades, and what is attached to it."""
