"""The district's question: for every home over many fires, by when it must go, and what would give it more time."""
