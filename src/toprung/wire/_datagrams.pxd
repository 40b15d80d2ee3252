cimport cython
from toprung.wire._bytes cimport u16be, u32be, u32le, u64be
from toprung.wire._fragments cimport Fragments
from toprung.wire._intern cimport Intern


@cython.final
cdef class Datagrams:
    cdef const unsigned char[::1] data
    cdef const unsigned char[::1] framing  # by interface of the capture
    cdef long long[::1] r_time
    cdef long long[::1] r_at
    cdef unsigned int[::1] r_captured
    cdef unsigned int[::1] r_length
    cdef unsigned short[::1] r_interface
    cdef unsigned char[::1] r_way
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
    cdef long long[::1] aside_time
    cdef unsigned int[::1] aside_packet
    cdef unsigned int[::1] aside_size
    cdef unsigned int[::1] aside_captured
    cdef int[::1] aside_kind
    cdef long long[::1] aside_at
    cdef long long[::1] aside_end
    cdef unsigned int[::1] aside_source
    cdef unsigned long long[::1] n_mac
    cdef unsigned int[::1] n_address
    cdef int[::1] n_before
    cdef unsigned long long[::1] n_count
    cdef unsigned long long[::1] n_bytes
    cdef long long[::1] n_first_ns
    cdef long long[::1] n_last_ns
    cdef unsigned int[::1] n_first
    cdef unsigned int[::1] n_last
    cdef int[::1] n_latest
    cdef unsigned long long[::1] faults
    cdef Intern addresses
    cdef Fragments joiner
    cdef public Py_ssize_t count
    cdef Py_ssize_t capacity
    cdef Py_ssize_t records
    cdef readonly Py_ssize_t asides
    cdef readonly Py_ssize_t short
    cdef readonly int neighbours
    # of the packet in hand
    cdef Py_ssize_t row
    cdef unsigned int number
    cdef Py_ssize_t wire_end
    cdef Py_ssize_t mac_at
    cdef int marks
    cdef unsigned int nic
    cdef int hops
    cdef unsigned int from_
    cdef unsigned long long to_high
    cdef unsigned long long to_low
    cdef unsigned int id
    cdef int _run(self, Py_ssize_t records, unsigned int packets_before) except -1 nogil
    cdef int _fault(self, int kind, Py_ssize_t end) except -1 nogil
    cdef int _frame(self, Py_ssize_t at, Py_ssize_t end, unsigned int interface) except -1 nogil
    cdef int _cooked(self, int packet_type, int address_length, Py_ssize_t at) except -1 nogil
    cdef int _aside(self, int kind, Py_ssize_t at, Py_ssize_t end) except -1 nogil
    cdef int _ipv4(self, Py_ssize_t at, Py_ssize_t end) except -1 nogil
    cdef int _ipv6(self, Py_ssize_t at, Py_ssize_t end) except -1 nogil
    cdef int _transport(self, int protocol, int place, Py_ssize_t at, Py_ssize_t end, Py_ssize_t claimed) except -1 nogil
    cdef int _udp(self, Py_ssize_t at, Py_ssize_t end, Py_ssize_t claimed) except -1 nogil
    cdef int _row(self, Py_ssize_t at, Py_ssize_t end, Py_ssize_t size, int piece) except -1 nogil
    cdef int _neighbour(self) except -1 nogil
