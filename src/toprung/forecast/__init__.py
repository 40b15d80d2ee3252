"""Site -> what to expect of it: reach, matching, discovery, traffic, latency, motion, power.

Pure functions.
"""
