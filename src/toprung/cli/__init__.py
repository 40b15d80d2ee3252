"""The commands; each a thin call of the rooms below."""
