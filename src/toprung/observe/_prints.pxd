from toprung.observe._rows cimport Rows
