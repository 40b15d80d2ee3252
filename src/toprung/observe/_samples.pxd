from toprung.observe._assemblies cimport Assemblies
from toprung.observe._keys cimport Keys, bin_of, tally
from toprung.observe._rows cimport Rows
