"""Weather as steps at places, from tables and forecasts, and what danger and drought it means."""

from leaveby.fire.weather.series import (
    Weather,
    constant_weather,
    faults_of_values,
    local_hour,
    local_month,
    perturbed,
    rebased,
    shifted,
    step_at,
    wind_towards,
)

__all__ = [
    "Weather",
    "constant_weather",
    "faults_of_values",
    "local_hour",
    "local_month",
    "perturbed",
    "rebased",
    "shifted",
    "step_at",
    "wind_towards",
]
