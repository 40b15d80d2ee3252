cimport cython
@cython.final
cdef class Events:
    cdef double[::1] times
    cdef long long[::1] words
    cdef long long[::1] after
    cdef long long[::1] head
    cdef long long[::1] tail
    cdef long long[::1] heap
    cdef Py_ssize_t size
    cdef readonly long long spare
    cdef readonly long long used
    cdef double now
    cdef int push(self, Py_ssize_t queue, double time, long long word) except -1 nogil
    cdef Py_ssize_t pop(self, double end) except -2 nogil
    cdef Py_ssize_t room(self) except -1 nogil
    cdef bint _before(self, Py_ssize_t one, Py_ssize_t other) except -1 nogil
    cdef int _rise(self, Py_ssize_t at) except -1 nogil
    cdef int _sink(self) except -1 nogil
