cimport cython
from toprung.wire._bytes cimport digest
from toprung.wire._intern cimport Intern


@cython.final
cdef class Fingerprints:
    cdef unsigned long long[::1] fingerprint
    cdef const unsigned char[::1] data
    cdef const unsigned char[::1] captured
    cdef const unsigned char[::1] joined
    cdef unsigned char[::1] flags
    cdef unsigned int[::1] source
    cdef unsigned int[::1] target
    cdef unsigned short[::1] source_port
    cdef unsigned short[::1] target_port
    cdef unsigned int[::1] size
    cdef long long[::1] begin
    cdef unsigned int[::1] room
    cdef unsigned int[::1] ip_id
    cdef Intern addresses
    cdef Py_ssize_t capacity
    cdef int _run(self, Py_ssize_t first, Py_ssize_t rows) except -1 nogil
    cdef unsigned long long _of(self, Py_ssize_t row) noexcept nogil
