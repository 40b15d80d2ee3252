"""One self-contained document of a site, its forecast, and what was seen."""
