from toprung.observe._keys cimport Keys, tally
from toprung.observe._rows cimport Rows
