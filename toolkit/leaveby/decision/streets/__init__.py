"""The community question."""
