"""The trainer's question."""
