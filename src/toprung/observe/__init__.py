"""Columns -> picture: who was there, what each announced, how each flow behaved.  Pure: no files, no clock."""

from toprung.observe.look import look

__all__ = ["look"]
