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


@cython.boundscheck(False)
@cython.wraparound(False)
cdef inline uint64_t digest(
    const unsigned char[::1] data, Py_ssize_t at, Py_ssize_t size, uint64_t seed
) noexcept nogil:
    cdef uint64_t factor = 0x9E3779B97F4A7C15ULL
    cdef uint64_t[4] words
    cdef uint64_t a = seed, b = seed ^ 1, c = seed ^ 2, d = seed ^ 3, state = 0
    cdef uint64_t[4] lanes
    cdef Py_ssize_t place = 0
    cdef int lane
    if at < 0 or size < 0 or at + size > data.shape[0]:
        return 0
    while place + 32 <= size:
        memcpy(words, &data[at + place], 32)
        a = (a ^ words[0]) * factor
        b = (b ^ words[1]) * factor
        c = (c ^ words[2]) * factor
        d = (d ^ words[3]) * factor
        place += 32
    lanes[0], lanes[1], lanes[2], lanes[3] = a, b, c, d
    while place < size:
        lanes[place & 3] = (lanes[place & 3] ^ data[at + place]) * factor
        place += 1
    for lane in range(4):
        state = (state ^ lanes[lane] ^ lanes[lane] >> 32) * factor
    return state ^ state >> 29
