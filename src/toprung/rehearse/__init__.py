"""The site as real DDS traffic in network namespaces on one machine, with faults on request."""
