"""Mowing, simulated: a mower, its controller and its receiver, with the faults of the trade."""
