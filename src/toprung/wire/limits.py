"""What untrusted bytes may ask for.  No published source: generous for real traffic, small for memory."""

from __future__ import annotations

MAX_PAYLOAD_BYTES = 1 << 20  # one serialised announcement
MAX_PARAMETERS = 4096  # in one parameter list
MAX_SEQUENCE = 65536  # elements of one sequence; also bounded by the bytes that are there
MAX_NAMES = 1024  # partitions, filter arguments: strings of one list
MAX_STRING_BYTES = 65536  # with its terminator
MAX_MALFORMED = 16  # reasons kept for one payload
