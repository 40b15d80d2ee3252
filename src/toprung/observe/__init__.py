"""Columns -> picture: who was there, what each announced, how each flow behaved.  No files, no clock."""

from toprung.observe.cast import Cast, Role
from toprung.observe.look import look
from toprung.observe.whoiswho import recognise

__all__ = ["Cast", "Role", "look", "recognise"]
