"""Geofence safety supervisor for robot mowers."""

__version__ = "0.1.0"
