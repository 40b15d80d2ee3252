cimport cython
from toprung.live._store cimport copy, put32
from toprung.wire._bytes cimport u16le, u32le


@cython.final
cdef class Ring:
    cdef const unsigned char[::1] data
    cdef unsigned char[::1] out
    cdef unsigned int interface
    cdef bint ethernet
    cdef long long offset_ns
    cdef readonly Py_ssize_t packets
    cdef readonly long long last_ns
    cdef Py_ssize_t _run(self) noexcept nogil
    cdef Py_ssize_t _packet(self, Py_ssize_t packet, Py_ssize_t at) noexcept nogil
    cdef int _tagged(self, Py_ssize_t packet, Py_ssize_t at, Py_ssize_t captured) noexcept nogil
    cdef int _cooked(self, Py_ssize_t packet, Py_ssize_t at, Py_ssize_t captured) noexcept nogil
