"""Packaged examples: sites with captures of real DDS traffic between network namespaces."""
