"""Tests of toprung.wire."""
