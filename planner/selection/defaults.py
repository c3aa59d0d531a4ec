"""Values of catalog/selection.yaml for a catalogue that gives only efficacy classes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from planner.model import Struct
from planner.selection.values import Component


class SelectionDefaults(Struct, frozen=True):
    """Values of catalog/selection.yaml: omega by efficacy class, theta, half-life and its band, each with
    source and grade.

    omega: class or word (``VG``, ``very good``) -> share.  grounds: value name -> {"source", "grade",
    "note"} to show.
    """

    omega: Mapping[str, float]
    theta: float
    theta_multisite: float
    half_life_days: float
    half_life_band: tuple[float, ...]
    grounds: Mapping[str, Mapping[str, str]]

    @classmethod
    def from_mapping(
        cls, data: Mapping[str, Any], where: str = "catalog/selection.yaml"
    ) -> SelectionDefaults:
        """Build from the parsed catalogue file.  Raises ValueError that names the key and what to write
        instead."""

        def number(path: str, value: Any, low: float, high: float) -> float:
            if (
                isinstance(value, bool)
                or not isinstance(value, (int, float))
                or not low <= float(value) <= high
            ):
                raise ValueError(f"{where}: {path} is {value!r}; write a number from {low:g} to {high:g}")
            return float(value)

        def entry(key: str) -> Mapping[str, Any]:
            value = data.get(key)
            if not isinstance(value, Mapping):
                raise ValueError(
                    f"{where}: {key} is missing; write a mapping with its value, source and grade"
                )
            for need in ("source", "grade"):
                if not isinstance(value.get(need), str):
                    raise ValueError(f"{where}: {key} lacks {need}; every value carries its source and grade")
            return value

        grounds: dict[str, dict[str, str]] = {}
        shares: dict[str, float] = {}
        classes = entry("omega_by_class")
        for name, row in classes.get("classes", {}).items():
            share = number(f"omega_by_class.{name}", row.get("omega"), 0.0, 1.0)
            for word in (name, *row.get("also", ())):
                shares[str(word).lower()] = share
        if not shares:
            raise ValueError(
                f"{where}: omega_by_class.classes is empty; write at least one class with its omega"
            )
        values: dict[str, float] = {}
        for key, high in (("theta", 1000.0), ("theta_multisite", 1000.0), ("half_life_days", 365.0)):
            values[key] = number(f"{key}.value", entry(key).get("value"), 1e-6, high)
        band = entry("half_life_days").get("band")
        if not isinstance(band, Sequence) or len(band) < 2:
            raise ValueError(
                f"{where}: half_life_days.band is {band!r}; write the half-lives to try, in days"
            )
        lives = tuple(number("half_life_days.band", h, 1e-6, 365.0) for h in band)
        for key in ("omega_by_class", "theta", "theta_multisite", "half_life_days"):
            row = entry(key)
            grounds[key] = {name: str(row[name]) for name in ("source", "grade", "note") if name in row}
        return cls(
            shares,
            values["theta"],
            values["theta_multisite"],
            values["half_life_days"],
            tuple(sorted(lives)),
            grounds,
        )

    def omega_of(self, rating: str | None) -> float | None:
        """Omega of an efficacy class; the lower end of a double class (``G-VG``); None when the rating is
        not known."""
        if rating is None:
            return None
        text = rating.strip().lower()
        if text in self.omega:
            return self.omega[text]
        parts = [part.strip() for part in text.replace(" to ", "-").split("-")]
        if len(parts) > 1 and all(part in self.omega for part in parts):
            return min(self.omega[part] for part in parts)
        return None

    def component(
        self,
        group: str,
        rating: str | None,
        *,
        name: str = "",
        at_risk: bool = True,
        multisite: bool = False,
        half_life_days: float | None = None,
    ) -> Component | None:
        """A component from an efficacy class on the target; None when the class is unknown (the index is
        then not assessed)."""
        omega = self.omega_of(rating)
        if omega is None:
            return None
        return Component(
            group,
            omega,
            self.theta_multisite if multisite else self.theta,
            self.half_life_days if half_life_days is None else half_life_days,
            name,
            at_risk and not multisite,
        )
