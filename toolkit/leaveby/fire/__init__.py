"""When does the fire come: weather, fuel, terrain, rate of spread and arrival times."""
