# The compiled twins of _store.py.  Little-endian hosts only: setup.py sees to that.
cimport cython
from libc.stdint cimport uint32_t
from libc.string cimport memcpy


@cython.boundscheck(False)
@cython.wraparound(False)
cdef inline void put32(unsigned char[::1] out, Py_ssize_t at, uint32_t value) noexcept nogil:
    if 0 <= at <= out.shape[0] - 4:
        memcpy(&out[at], &value, 4)


@cython.boundscheck(False)
@cython.wraparound(False)
cdef inline void copy(
    unsigned char[::1] out, Py_ssize_t at, const unsigned char[::1] data, Py_ssize_t begin, Py_ssize_t size
) noexcept nogil:
    if 0 <= at <= out.shape[0] - size and 0 <= begin <= data.shape[0] - size and size > 0:
        memcpy(&out[at], &data[begin], size)
