"""Evacuation-versus-shelter decision timing for bushfire-prone land.

Official warnings and the directions of the emergency services override anything computed here.
"""

from __future__ import annotations


__version__ = "0.1.0"
