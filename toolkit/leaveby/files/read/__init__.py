"""Readers: one module for each kind of file."""
