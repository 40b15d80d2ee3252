"""The page: one local server that shows a site, its forecast and its captures."""
