cimport cython
from toprung.wire._datagrams cimport Datagrams
from toprung.wire._fingerprints cimport Fingerprints
from toprung.wire._fragments cimport Fragments
from toprung.wire._records cimport Records
from toprung.wire._submessages cimport Submessages


@cython.final
cdef class Pipeline:
    cdef Records records
    cdef Datagrams datagrams
    cdef Fragments fragments
    cdef Fingerprints fingerprints
    cdef Submessages submessages
    cdef readonly int status
    cdef readonly Py_ssize_t packets
    cdef readonly Py_ssize_t decoded
    cdef Py_ssize_t batch
    cdef Py_ssize_t limit
    cdef bint silent
    cdef public bint printing
    cdef Py_ssize_t _run(self, Py_ssize_t at, Py_ssize_t end, long long scale) except -1 nogil
