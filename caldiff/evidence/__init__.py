"""Logs over operating points, fault codes and readiness: what a vehicle says of a calibration."""
