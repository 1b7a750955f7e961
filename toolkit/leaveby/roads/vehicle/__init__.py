"""What this vehicle may and can do on each road."""
