from toprung.forecast._events cimport Events
