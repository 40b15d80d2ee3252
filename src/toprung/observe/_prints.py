# cython: boundscheck=True, wraparound=False, initializedcheck=False, cdivision=True
# mypy: ignore-errors
# (C types: Cython checks them)
"""Fingerprints of datagrams, for other views; in bounded memory.

Compiled from this same file (Cython, pure Python mode); uncompiled it is oracle and fallback.
"""

from __future__ import annotations

from typing import Any

try:
    import cython
except ImportError:  # uncompiled, its names are enough
    from toprung.wire import _uncompiled as cython


if not cython.compiled:
    from toprung.observe._rows import Rows

MASK64 = cython.declare(cython.ulonglong, 0xFFFFFFFFFFFFFFFF)
MIX_A = cython.declare(cython.ulonglong, 0x9E3779B97F4A7C15)  # Steele, Lea and Flood 2014 (SplitMix64)


@cython.final
@cython.cclass
class Prints:
    """Fingerprints of datagrams; when full, only those whose hash has one more leading zero."""

    prints: cython.ulonglong[::1]
    columns: cython.longlong[:, ::1]
    used: cython.Py_ssize_t
    level: cython.int

    def __init__(self, prints: Any, columns: Any) -> None:
        """`prints` u8 [limit]; `columns` i8 [limit, 6] as `tables.PRINT_COLUMNS` lists them."""
        self.prints = memoryview(prints)
        self.columns = memoryview(columns)
        self.used = 0
        self.level = 0

    def state(self) -> tuple[int, int]:
        """Rows in use, and the halvings so far."""
        return self.used, self.level

    def feed(self, rows: Rows) -> None:
        """Remember one block's datagrams."""
        with cython.nogil:
            self._feed(rows)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _chosen(self, mark: cython.ulonglong) -> cython.bint:
        if self.level == 0:
            return True
        h: cython.ulonglong = (mark * MIX_A) & MASK64
        return (h >> (64 - self.level)) == 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _feed(self, rows: Rows) -> cython.int:
        m: cython.Py_ssize_t
        n: cython.Py_ssize_t
        for m in range(rows.messages):
            if rows.print[m] == 0 or not self._chosen(rows.print[m]):
                continue  # it has none, or is not among those kept
            while self.used >= self.prints.shape[0] and self.level < 63:
                self._thin()
            if not self._chosen(rows.print[m]) or self.used >= self.prints.shape[0]:
                continue
            n = self.used
            self.prints[n] = rows.print[m]
            self.columns[n, 0] = rows.time_ns[m]
            self.columns[n, 1] = rows.packet[m]
            self.columns[n, 2] = rows.source[m]
            self.columns[n, 3] = rows.target[m]
            self.columns[n, 4] = rows.target_port[m] << 8 | rows.message_flags[m]
            self.columns[n, 5] = rows.size[m]
            self.used += 1
        return 0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(-1)
    def _thin(self) -> cython.int:
        """Keep every second row, on average."""
        i: cython.Py_ssize_t
        c: cython.Py_ssize_t
        n: cython.Py_ssize_t = 0
        self.level += 1
        for i in range(self.used):
            if self._chosen(self.prints[i]):
                self.prints[n] = self.prints[i]
                for c in range(6):
                    self.columns[n, c] = self.columns[i, c]
                n += 1
        self.used = n
        return 0
