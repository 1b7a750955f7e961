"""The vehicle on the road (house and tow car, car alone, people on foot) and the speed its engine can hold uphill."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from leaveby import parameters
from leaveby.errors import Faults

Mode = Literal["tow", "car", "foot"]

GRAVITY_M_S2: Final = 9.80665
"""Standard gravity (3rd General Conference on Weights and Measures, 1901)."""


@dataclass(frozen=True)
class RoadVehicle:
    """What rolls ("tow", house on its trailer behind a vehicle; "car", vehicle alone), or walks ("foot", people).

    - `width_m`, `height_m`, `length_m`, `mass_kg`: of the whole combination, loaded, above 0.
    - `power_w`: rated engine power, of which `power_share` reaches the wheels for minutes on end on a hot day.
    - `speed_limit_m_s`: own or towing speed limit; inf for none. On foot the walking speed, at most
      `WALKING_SPEED_M_S`.
    - `motorway_limit_m_s`: the same on motorways, where it is another there.
    - `opens_gates`: ways whose gates and private access this household may and can open.
    - `closed_ways`: ways that it never takes, whatever the map says of them.
    - `four_wheel_drive`: whether it may take ways marked for four-wheel drive only.
    - `max_grade`: steepest grade (rise over run) it climbs at all, whatever the power; inf when not known.
    - `frontal_area_m2`, `drag_coefficient`: 0.85 of width times height, and the value for the mode, where left out.

    Examples
    --------
    >>> house = RoadVehicle(
    ...     name="house", mode="tow", width_m=2.5, height_m=4.3, length_m=13.0, mass_kg=7000.0, power_w=150e3
    ... )
    >>> round(house.area_m2, 2), house.drag
    (9.14, 0.9)
    """

    name: str
    mode: Mode
    width_m: float = 0.6
    height_m: float = 2.0
    length_m: float = 1.0
    mass_kg: float = 80.0
    power_w: float = 0.0
    speed_limit_m_s: float = float("inf")
    motorway_limit_m_s: float | None = None
    opens_gates: frozenset[int] = frozenset()
    closed_ways: frozenset[int] = frozenset()
    four_wheel_drive: bool = False
    max_grade: float = float("inf")
    frontal_area_m2: float | None = None
    drag_coefficient: float | None = None
    power_share: float = parameters.POWER_AT_WHEELS_SHARE.value

    def __post_init__(self) -> None:
        """Refuse measures that no vehicle has."""
        faults = Faults()
        if self.mode not in ("tow", "car", "foot"):
            faults.add(f"vehicle {self.name}, mode", f"it is {self.mode!r}", "tow, car or foot", "choose one")
        limits = {
            "width_m": (0.3, 6.0, "metres"),
            "height_m": (0.5, 6.0, "metres"),
            "length_m": (0.3, 60.0, "metres"),
            "mass_kg": (10.0, 100_000.0, "kilograms"),
            "power_share": (0.05, 1.0, "a share of the rated power"),
        }
        if self.mode != "foot":
            limits["power_w"] = (1_000.0, 1_000_000.0, "watts")
        for what, (low, high, unit) in limits.items():
            value = getattr(self, what)
            if not low <= value <= high:
                place = f"vehicle {self.name}, {what}"
                faults.tell(place, "vehicle_out_of_range", value=value, low=low, high=high, unit=unit)
        for what in ("speed_limit_m_s", "motorway_limit_m_s", "max_grade"):
            if getattr(self, what) is not None and not getattr(self, what) > 0.0:
                faults.add(f"vehicle {self.name}, {what}", f"it is {getattr(self, what)}", "above 0", "correct it")
        faults.refuse()

    @property
    def area_m2(self) -> float:
        """Frontal area."""
        return (
            parameters.FRONTAL_FILL.value * self.width_m * self.height_m
            if self.frontal_area_m2 is None
            else self.frontal_area_m2
        )

    @property
    def drag(self) -> float:
        """Drag coefficient."""
        if self.drag_coefficient is not None:
            return self.drag_coefficient
        return parameters.TOW_DRAG_COEFFICIENT.value if self.mode == "tow" else parameters.CAR_DRAG_COEFFICIENT.value

    @property
    def walking_speed_m_s(self) -> float:
        """Speed on foot on the level."""
        return min(parameters.WALKING_SPEED_M_S.value, self.speed_limit_m_s)


def _slope_force_n(grade: NDArray[np.float64], *, mass_kg: float, rolling: NDArray[np.float64]) -> NDArray[np.float64]:
    angle = np.arctan(grade)
    return np.asarray(mass_kg * GRAVITY_M_S2 * (rolling * np.cos(angle) + np.sin(angle)), dtype=np.float64)


def sustained_speed_m_s(
    vehicle: RoadVehicle,
    grade: NDArray[np.float64],
    *,
    rolling: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Speed that the engine can hold on a grade, from the balance of power solved for speed.

    Downhill, a combination that tows is held to the speed at which it would climb the same grade: the low gear that
    climbs it is the gear that holds it back without burning the brakes (common practice, no source). A car alone is not
    held back by its engine.
    """
    climb = np.abs(grade) if vehicle.mode == "tow" else grade
    a = 0.5 * parameters.AIR_DENSITY_KG_M3.value * vehicle.drag * vehicle.area_m2
    b = _slope_force_n(np.asarray(climb, dtype=np.float64), mass_kg=vehicle.mass_kg, rolling=rolling)
    power = vehicle.power_w * vehicle.power_share
    # a v^3 + b v = P is convex for v > 0; from above its only root Newton's steps come down without overshooting
    v = (power / a) ** (1.0 / 3.0) + np.sqrt(np.maximum(-b, 0.0) / a)
    for _ in range(100):
        following = v - (a * v**3 + b * v - power) / (3.0 * a * v**2 + b)
        if np.all(np.abs(following - v) <= 1e-12 * v):
            break
        v = following
    return np.where(np.abs(grade) > vehicle.max_grade, 0.0, v)
