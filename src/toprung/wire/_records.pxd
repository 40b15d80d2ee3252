cimport cython
from toprung.wire._bytes cimport fetch, u16, u32, words


@cython.final
cdef class Records:
    cdef const unsigned char[::1] data
    cdef long long[::1] time_ns
    cdef long long[::1] at
    cdef unsigned int[::1] captured
    cdef unsigned int[::1] length
    cdef unsigned short[::1] interface
    cdef unsigned char[::1] way
    cdef long long[::1] scale
    cdef unsigned int[::1] snap
    cdef public int status
    cdef readonly Py_ssize_t count
    cdef readonly Py_ssize_t undeclared
    cdef readonly long long wanted
    cdef readonly long long earliest
    cdef readonly long long latest
    cdef bint little
    cdef Py_ssize_t limit
    cdef long long last_ns
    cdef Py_ssize_t _read(self, Py_ssize_t at, Py_ssize_t end, long long scale) except -1 nogil
    cdef Py_ssize_t _pcap(self, Py_ssize_t at, Py_ssize_t end, long long scale) except -1 nogil
    cdef Py_ssize_t _pcapng(self, Py_ssize_t at, Py_ssize_t end) except -1 nogil
    cdef int _block(self, unsigned int kind, Py_ssize_t body, long long size) except -1 nogil
    cdef int _way(self, Py_ssize_t at, Py_ssize_t end) except -1 nogil
    cdef long long _time(self, Py_ssize_t interface, unsigned long long high, unsigned long long low) noexcept nogil
