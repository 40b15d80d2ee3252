"""Active checks between two machines: one serves, the other probes.  No middleware takes part."""
