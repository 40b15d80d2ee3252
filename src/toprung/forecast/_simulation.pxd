cimport cython
from toprung.forecast._events cimport Events
from toprung.forecast._transit cimport Transit


@cython.final
cdef class Simulation:
    cdef Events events
    cdef Transit transit
    cdef Py_ssize_t n
    cdef Py_ssize_t machines  # the first machine's queue
    # of participants
    cdef long long[::1] host
    cdef long long[::1] library
    cdef long long[::1] casts
    cdef long long[::1] data
    cdef long long[::1] fresh
    cdef long long[::1] made
    cdef long long[::1] up
    cdef long long[::1] left
    cdef long long[::1] knows
    cdef long long[::1] unsure
    cdef long long[::1] armed
    cdef double[::1] greeted
    # of pairs, [a * n + b]
    cdef unsigned char[::1] hears
    cdef unsigned char[::1] pair
    cdef unsigned char[::1] known_by  # b knows a
    cdef float[::1] heard  # when b last heard of a
    cdef float[::1] has_at
    cdef double[:, ::1] backlog  # of machines, by second
    cdef double[:, ::1] rules
    cdef readonly long long steps
    cdef readonly long long lapses
    cdef readonly long long missing
    cdef int _run(self, double end, bint soon) except -1 nogil
    cdef Py_ssize_t _word(self, long long kind, long long a, long long b, long long weight) except -1 nogil
    cdef int _handle(self, long long word, double t) except -1 nogil
    cdef int _message(self, int kind, Py_ssize_t a, Py_ssize_t b, double t) except -1 nogil
    cdef int _meet(self, Py_ssize_t a, Py_ssize_t b, bint call, double t) except -1 nogil
    cdef int _later(self, Py_ssize_t r, int kind, Py_ssize_t a, Py_ssize_t b, long long weight, double t) except -1 nogil
    cdef int _repeat(self, int kind, Py_ssize_t a, Py_ssize_t b, long long turn, double t) except -1 nogil
    cdef int _timer(self, int kind, Py_ssize_t a, Py_ssize_t b, long long weight, double t) except -1 nogil
    cdef int _begin(self, int kind, Py_ssize_t a, double t) except -1 nogil
    cdef int _make(self, Py_ssize_t a, double t) except -1 nogil
    cdef int _announce(self, Py_ssize_t a, double t) except -1 nogil
    cdef int _tell(self, Py_ssize_t a, Py_ssize_t b, int kind, bint cast, double t) except -1 nogil
    cdef int _send(self, Py_ssize_t a, Py_ssize_t b, int kind, double weight, double t) except -1 nogil
    cdef int _spread(self, Py_ssize_t a, int kind, double weight, double t) except -1 nogil
    cdef bint _casts(self, Py_ssize_t a) except -1 nogil
    cdef int _load(self, Py_ssize_t a, double weight, Py_ssize_t answer, double t) except -1 nogil
    cdef double _arrives(self, Py_ssize_t a, Py_ssize_t b, double weight, bint cast, double t) except -2.0 nogil
    cdef int _sweep(self, double t) except -1 nogil
