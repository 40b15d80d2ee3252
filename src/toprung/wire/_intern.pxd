cdef class Intern:
    cdef unsigned long long[::1] high
    cdef unsigned long long[::1] low
    cdef unsigned int[::1] slots
    cdef readonly unsigned int count
    cdef readonly unsigned long long refused
    cdef unsigned int index(self, unsigned long long high, unsigned long long low) noexcept nogil
