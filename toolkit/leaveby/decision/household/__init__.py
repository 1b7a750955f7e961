"""The household question."""
