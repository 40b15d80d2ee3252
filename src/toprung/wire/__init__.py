"""Bytes <-> nouns.  Sans-IO: no sockets, no files, no clock."""
