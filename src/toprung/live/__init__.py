"""The I/O: captures from files and pipes."""
