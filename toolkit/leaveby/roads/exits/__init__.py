"""Streets with one way out, the homes on them, and links that would help."""
