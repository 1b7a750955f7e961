"""Latest departures on closing roads, and the way in words."""
