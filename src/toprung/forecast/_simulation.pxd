from toprung.forecast._events cimport Events
from toprung.forecast._transit cimport Transit
