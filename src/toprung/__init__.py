"""Toprung: from a robot's DDS traffic to the reason why a flow is missing."""

__version__ = "0.1.0"
