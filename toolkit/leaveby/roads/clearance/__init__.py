"""How long homes behind one exit need to clear."""
