"""The names that kernels take from Cython, for running them uncompiled where Cython is not installed."""

from __future__ import annotations

from typing import Any

compiled = False


class _Nogil:
    """Both a decorator and a context."""

    def __call__(self, function: Any) -> Any:
        return function

    def __enter__(self) -> None:
        pass

    def __exit__(self, *_: object) -> None:
        pass


nogil = _Nogil()


def cfunc(function: Any) -> Any:
    return function


inline = cfunc


def exceptval(*_: Any, **__: Any) -> Any:
    return cfunc


boundscheck = exceptval


def declare(_: Any, value: Any = None, **__: Any) -> Any:
    return value


def cast(_: Any, value: Any) -> Any:
    return value


def __getattr__(name: str) -> Any:
    """C types, which mean nothing here."""
    return object
