cdef class Histograms:
    cdef unsigned int[:, ::1] counts
    cdef public long long used
    cdef long long add(self, long long handle, long long value) except -1 nogil
    cdef int measure(self, long long[:, ::1] record, Py_ssize_t k, Py_ssize_t at, long long value) except -1 nogil
