"""Weather as steps at places, from tables and forecasts, and what danger and drought it means."""
