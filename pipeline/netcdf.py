"""One lock around the netCDF library, which is not safe in threads."""

from __future__ import annotations

import threading

__all__ = ["NETCDF"]

NETCDF = threading.RLock()
"""Held by whoever opens, reads, writes or closes a file through the library."""
