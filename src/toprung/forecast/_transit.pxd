cimport cython
@cython.final
cdef class Transit:
    cdef double[:, ::1] latency
    cdef double[:, ::1] passes
    cdef double[:, ::1] resolved
    cdef double[::1] service
    cdef double[::1] room
    cdef double[::1] free
    cdef long long[::1] sent
    cdef long long[::1] received
    cdef long long[::1] dropped
    cdef long long[::1] stamp
    cdef long long cast
    cdef unsigned long long seed
    cdef double arrives(self, Py_ssize_t here, Py_ssize_t there, long long weight, bint cast, double t) except -2.0 nogil
    cdef int touch(self, Py_ssize_t here, Py_ssize_t there, double t) except -1 nogil
    cdef int _resolve(self, Py_ssize_t here, Py_ssize_t there, double t) except -1 nogil
    cdef double chance(self) except -2.0 nogil
