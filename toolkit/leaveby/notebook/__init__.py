"""Panels of the notebooks."""
