cimport cython
from toprung.wire._bytes cimport u16be, u32le


@cython.final
cdef class Fragments:
    cdef const unsigned char[::1] data
    cdef unsigned char[::1] joined
    cdef long long[::1] time_ns
    cdef unsigned int[::1] packet
    cdef unsigned short[::1] interface
    cdef unsigned int[::1] source
    cdef unsigned int[::1] target
    cdef unsigned short[::1] source_port
    cdef unsigned short[::1] target_port
    cdef unsigned char[::1] ttl
    cdef unsigned char[::1] flags
    cdef unsigned int[::1] size
    cdef unsigned int[::1] wire_bytes
    cdef unsigned short[::1] fragments
    cdef long long[::1] begin
    cdef unsigned int[::1] room
    cdef unsigned int[::1] ip_id
    cdef int[::1] piece
    cdef unsigned char[::1] s_state
    cdef unsigned int[::1] s_source
    cdef unsigned int[::1] s_target
    cdef unsigned int[::1] s_id
    cdef unsigned short[::1] s_interface
    cdef unsigned char[::1] s_flags
    cdef unsigned char[::1] s_ttl
    cdef long long[::1] s_first_ns
    cdef long long[::1] s_last_ns
    cdef long long[::1] s_first_at
    cdef unsigned int[::1] s_packet
    cdef int[::1] s_total  # octets of the IP payload; -1: the last piece has not come
    cdef int[::1] s_cut  # first octet that a cut packet lacks
    cdef int[::1] s_units  # different units that came
    cdef int[::1] s_high  # one past the highest unit that came
    cdef unsigned int[::1] s_wire
    cdef unsigned int[::1] s_pieces
    cdef int[::1] s_next
    cdef int[::1] heads  # chains of places by hashed key; -1 ends them
    cdef unsigned char[::1] mask
    cdef unsigned char[::1] store
    cdef unsigned long long[::1] faults
    cdef int cursor
    cdef int oldest
    cdef long long filled
    cdef readonly unsigned long long headless
    cdef bint silent
    # the piece in hand
    cdef long long p_begin
    cdef long long p_room
    cdef int p_size
    cdef int p_piece
    cdef int add(self, Py_ssize_t row) except -1 nogil
    cdef int _after(self, int place) noexcept nogil
    cdef Py_ssize_t _chain(self, unsigned int source, unsigned int target, unsigned int ident) noexcept nogil
    cdef int _find(self, Py_ssize_t row) except -2 nogil
    cdef bint _differs(self, int place) noexcept nogil
    cdef int _open(self, Py_ssize_t row, int place, int victim) except -1 nogil
    cdef int _note(self, Py_ssize_t row, int place) except -1 nogil
    cdef int _unlink(self, int place) except -1 nogil
    cdef int _put(self, int place) except -1 nogil
    cdef int _patch(self, Py_ssize_t mask, Py_ssize_t store, Py_ssize_t first, Py_ssize_t last) except -1 nogil
    cdef int _emit(self, int place, Py_ssize_t out) except -1 nogil
    cdef long long _head(self, int place, long long total) noexcept nogil
    cdef Py_ssize_t _held(self) except -1 nogil
    cdef Py_ssize_t _expire(self, Py_ssize_t count, long long now) except -1 nogil
