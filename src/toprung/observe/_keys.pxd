cdef int tally(
    long long[:, ::1] record, Py_ssize_t k, Py_ssize_t at, long long time_ns, long long packet, long long size
) except -1 nogil


cdef class Keys:
    cdef unsigned long long[:, ::1] words
    cdef int[::1] slots
    cdef readonly Py_ssize_t used
    cdef readonly Py_ssize_t refused
    cdef Py_ssize_t limit
    cdef unsigned long long mask
    cdef Py_ssize_t find(
        self, unsigned long long a, unsigned long long b, unsigned long long c, bint create
    ) except -2 nogil
