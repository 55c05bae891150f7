"""Limits of a job for tests of single parts: feet as metres, what the test states besides."""

from __future__ import annotations

from gridground.job import Limits


def limits(**given):
    """Return limits with some of them stated otherwise."""
    figures = {
        "rod_setback_m": 4.572, "cone_radius_m": 3.048, "cone_spacing_m": 1.83,
        "bracket_max_spans": 1, "bracket_max_distance_m": 300.0, "fault_growth_ratio": 1.0,
        "clearing": "backup", "body_ohm": 1000.0, "worker_limit": "DOE-HDBK-1092",
        "lead_minimum": "2", "lead_sizes": ("2", "1/0", "2/0", "4/0"), "lead_basis": "withstand",
        "parallel_max": 2, "lead_slack_ratio": 1.1, "lead_length_step_m": 1.524,
        "bar_below_m": 1.83, "clearance_m": {},
        "locate_tolerance_m": 0.0, "vehicle_clearance_m": 6.096,
        "vehicle_rod_distance_m": 3.048, "ground_slope_max_ratio": 0.5,
    }  # fmt: skip
    return Limits(**(figures | given))
