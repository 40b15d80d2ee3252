cdef class Rows:
    cdef Py_ssize_t messages
    cdef Py_ssize_t submessages
    cdef long long[::1] time_ns
    cdef unsigned int[::1] packet
    cdef unsigned short[::1] interface
    cdef unsigned int[::1] source
    cdef unsigned int[::1] target
    cdef unsigned short[::1] target_port
    cdef unsigned char[::1] ttl
    cdef unsigned char[::1] message_flags
    cdef unsigned int[::1] prefix
    cdef unsigned short[::1] vendor
    cdef unsigned int[::1] size
    cdef unsigned int[::1] wire_bytes
    cdef unsigned short[::1] ip_fragments
    cdef unsigned long long[::1] print
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
    cdef unsigned int[::1] count
    cdef unsigned int[::1] fragment
    cdef unsigned short[::1] fragments
    cdef unsigned short[::1] fragment_size
    cdef unsigned int[::1] sample_size
    cdef long long[::1] source_time_ns
    cdef unsigned int[::1] payload_length
    cdef long long[::1] payload_at
    cdef unsigned int[::1] inline_length
