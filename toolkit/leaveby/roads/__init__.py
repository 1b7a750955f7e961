"""Which way out: the road network, travel times, routes and exits."""
