"""What can burn: fuel types, the map of them, and how moist they are."""
