cimport cython
from toprung.wire._bytes cimport fetch, i64, ones, u16, u32, u32le, u64be, u64le, words
from toprung.wire._intern cimport Intern


@cython.final
cdef class Submessages:
    cdef const unsigned char[::1] data  # where the message in hand stands: one of the next two
    cdef const unsigned char[::1] captured
    cdef const unsigned char[::1] joined
    cdef unsigned char[::1] m_flags
    cdef unsigned int[::1] m_prefix
    cdef unsigned short[::1] m_vendor
    cdef long long[::1] m_begin
    cdef unsigned int[::1] m_room
    cdef unsigned int[::1] message
    cdef unsigned char[::1] kind
    cdef unsigned char[::1] flags
    cdef unsigned int[::1] sender
    cdef unsigned int[::1] addressee
    cdef unsigned int[::1] reader
    cdef unsigned int[::1] writer
    cdef long long[::1] sequence
    cdef long long[::1] base
    cdef unsigned int[::1] extent
    cdef unsigned int[::1] named
    cdef unsigned int[::1] count_field
    cdef unsigned int[::1] fragment
    cdef unsigned short[::1] fragments
    cdef unsigned short[::1] fragment_size
    cdef unsigned int[::1] sample_size
    cdef long long[::1] source_time_ns
    cdef unsigned int[::1] inline_length
    cdef long long[::1] payload_at
    cdef unsigned int[::1] payload_length
    cdef const unsigned short[::1] least  # by kind: Sub.least
    cdef const signed char[::1] entity  # by kind: Sub.entity
    cdef unsigned long long[::1] faults
    cdef Intern prefixes
    cdef readonly Py_ssize_t count
    cdef Py_ssize_t ahead
    cdef Py_ssize_t lines
    cdef Py_ssize_t capacity
    cdef Py_ssize_t messages
    cdef readonly Py_ssize_t unreadable
    # of the message in hand
    cdef Py_ssize_t row
    cdef unsigned int from_
    cdef unsigned int to
    cdef long long stamp
    cdef unsigned short vendor
    cdef bint little
    cdef bint cut
    cdef Py_ssize_t _messages(self, Py_ssize_t first, Py_ssize_t rows) except -1 nogil
    cdef int _message(self, Py_ssize_t row, Py_ssize_t at, Py_ssize_t end) except -1 nogil
    cdef int _header(self, Py_ssize_t at, Py_ssize_t end) except -1 nogil
    cdef unsigned int _prefix(self, Py_ssize_t at) noexcept nogil
    cdef Py_ssize_t _submessage(self, Py_ssize_t at, Py_ssize_t end) except -1 nogil
    cdef int _blank(self, Py_ssize_t row) except -1 nogil
    cdef int _wipe(self) except -1 nogil
    cdef int _decode(self, int kind, int flags, Py_ssize_t body, Py_ssize_t stop, Py_ssize_t claimed) except -1 nogil
    cdef long long _time(self, unsigned long long seconds, unsigned long long fraction) noexcept nogil
    cdef int _entity(self, int kind, int flags, Py_ssize_t at, Py_ssize_t body, Py_ssize_t stop, Py_ssize_t claimed) except -1 nogil
    cdef int _set(self, Py_ssize_t at, Py_ssize_t stop, Py_ssize_t claimed, int counted) except -1 nogil
    cdef int _data(self, int kind, int flags, Py_ssize_t body, Py_ssize_t stop, Py_ssize_t claimed) except -1 nogil
    cdef bint _bad_fragment(self, Py_ssize_t row) noexcept nogil
    cdef Py_ssize_t _skip_parameters(self, Py_ssize_t at, Py_ssize_t stop) noexcept nogil
    cdef int _bad(self, int fault) except -1 nogil
