# The compiled twins of _bytes.py, inlined into each kernel.  Each is bounds-checked once for all its
# bytes; memcpy because nothing in a capture is aligned.  Little-endian hosts only: setup.py sees to that.
cimport cython
from libc.stdint cimport int64_t, uint16_t, uint32_t, uint64_t
from libc.string cimport memcpy

cdef extern from *:
    """
    #if defined(__GNUC__)
    #define TOPRUNG_FETCH(address) __builtin_prefetch(address)
    #else
    #define TOPRUNG_FETCH(address) ((void)(address))
    #endif
    """
    void TOPRUNG_FETCH(const void *) noexcept nogil


@cython.boundscheck(False)
@cython.wraparound(False)
cdef inline void fetch(const unsigned char[::1] data, Py_ssize_t at) noexcept nogil:
    if 0 <= at < data.shape[0]:
        TOPRUNG_FETCH(&data[at])


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
    cdef uint64_t v = u64le(data, at)
    v = (v & 0x00FF00FF00FF00FFULL) << 8 | (v >> 8 & 0x00FF00FF00FF00FFULL)
    v = (v & 0x0000FFFF0000FFFFULL) << 16 | (v >> 16 & 0x0000FFFF0000FFFFULL)
    return v << 32 | v >> 32


cdef inline uint16_t u16(const unsigned char[::1] data, bint little, Py_ssize_t at) noexcept nogil:
    return u16le(data, at) if little else u16be(data, at)


cdef inline uint32_t u32(const unsigned char[::1] data, bint little, Py_ssize_t at) noexcept nogil:
    return u32le(data, at) if little else u32be(data, at)


cdef inline uint64_t words(const unsigned char[::1] data, bint little, Py_ssize_t at) noexcept nogil:
    cdef uint64_t both
    if little:
        both = u64le(data, at)
        return both << 32 | both >> 32
    return u64be(data, at)


cdef inline int64_t i64(const unsigned char[::1] data, bint little, Py_ssize_t at) noexcept nogil:
    return <int64_t>words(data, little, at)


cdef inline uint32_t ones(uint32_t word) noexcept nogil:
    word = word - (word >> 1 & 0x55555555)
    word = (word & 0x33333333) + (word >> 2 & 0x33333333)
    word = (word + (word >> 4)) & 0x0F0F0F0F
    return (word + (word >> 8) + (word >> 16) + (word >> 24)) & 0x3F


@cython.boundscheck(False)
@cython.wraparound(False)
cdef inline uint64_t digest(
    const unsigned char[::1] data, Py_ssize_t at, Py_ssize_t size, uint64_t seed
) noexcept nogil:
    cdef uint64_t factor = 0x9E3779B97F4A7C15ULL
    cdef uint64_t a = seed, b = seed ^ 1, c = seed ^ 2, d = seed ^ 3
    cdef Py_ssize_t place = 0
    if at < 0 or size < 0 or at + size > data.shape[0]:
        return 0
    while place + 32 <= size:
        a = (a ^ u64le(data, at + place)) * factor
        b = (b ^ u64le(data, at + place + 8)) * factor
        c = (c ^ u64le(data, at + place + 16)) * factor
        d = (d ^ u64le(data, at + place + 24)) * factor
        place += 32
    while place + 4 <= size:
        d = (d ^ u32le(data, at + place)) * factor
        place += 4
    while place < size:
        d = (d ^ data[at + place]) * factor
        place += 1
    a = (a ^ c >> 32) * factor
    b = (b ^ d >> 32) * factor
    a = (a ^ a >> 32 ^ b ^ c ^ d) * factor
    return a ^ a >> 29
