"""From OpenStreetMap tags and ways to a graph."""
