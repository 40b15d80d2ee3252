"""Who is who: one optimal assignment of the declared participants to those seen."""

from __future__ import annotations

from toprung.model.picture import Picture
from toprung.model.site import Site
from toprung.observe.cast import Cast, Role

