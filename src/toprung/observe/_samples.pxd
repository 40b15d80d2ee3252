from toprung.observe._assemblies cimport Assemblies
from toprung.observe._histograms cimport Histograms
from toprung.observe._keys cimport Keys, tally
from toprung.observe._rows cimport Rows
