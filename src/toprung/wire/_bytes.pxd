# The compiled twins of _bytes.py, inlined into each kernel.  Each is bounds-checked once for all its
# bytes; memcpy because nothing in a capture is aligned.  Little-endian hosts only: setup.py sees to that.
cimport cython
from libc.stdint cimport uint16_t, uint32_t, uint64_t
from libc.string cimport memcpy


@cython.boundscheck(False)
@cython.wraparound(False)
cdef inline uint16_t u16le(const unsigned char[::1] data, Py_ssize_t at) noexcept nogil:
    cdef uint16_t value = 0
    if 0 <= at <= data.shape[0] - 2:
        memcpy(&value, &data[at], 2)
    return value


@cython.boundscheck(False)
@cython.wraparound(False)
cdef inline uint32_t u32le(const unsigned char[::1] data, Py_ssize_t at) noexcept nogil:
    cdef uint32_t value = 0
    if 0 <= at <= data.shape[0] - 4:
        memcpy(&value, &data[at], 4)
    return value


@cython.boundscheck(False)
@cython.wraparound(False)
cdef inline uint64_t u64le(const unsigned char[::1] data, Py_ssize_t at) noexcept nogil:
    cdef uint64_t value = 0
    if 0 <= at <= data.shape[0] - 8:
        memcpy(&value, &data[at], 8)
    return value


cdef inline uint16_t u16be(const unsigned char[::1] data, Py_ssize_t at) noexcept nogil:
    cdef uint16_t value = u16le(data, at)
    return <uint16_t>(value << 8 | value >> 8)


cdef inline uint32_t u32be(const unsigned char[::1] data, Py_ssize_t at) noexcept nogil:
    cdef uint32_t value = u32le(data, at)
    return value << 24 | (value & 0xFF00) << 8 | (value >> 8 & 0xFF00) | value >> 24


cdef inline uint64_t u64be(const unsigned char[::1] data, Py_ssize_t at) noexcept nogil:
    return <uint64_t>u32be(data, at) << 32 | u32be(data, at + 4)
