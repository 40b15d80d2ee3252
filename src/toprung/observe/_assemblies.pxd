cdef class Assemblies:
    cdef long long[:, :, ::1] slots
    cdef unsigned long long[:, :, ::1] pieces
    cdef public Py_ssize_t used
    cdef long long dropped
    cdef long long stamp
    cdef Py_ssize_t open(self) noexcept nogil
    cdef int put(
        self,
        Py_ssize_t row,
        long long sequence,
        long long first,
        long long n,
        long long total,
        long long stamp,
    ) except -1 nogil
    cdef Py_ssize_t _slot(self, Py_ssize_t row, long long sequence) except -1 nogil
