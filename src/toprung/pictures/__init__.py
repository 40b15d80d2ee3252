"""Every drawing once: as text, as SVG, as a page, as JSON.  Pure functions of what was observed."""
