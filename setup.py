"""The kernels: each is one file of plain Python that Cython compiles where there is a compiler.

Every extension is optional: without a C compiler the package installs and runs the same files
uncompiled.  A new kernel is one more name in KERNELS.
"""

import os
import sys

from setuptools import Extension, setup

FLAGS = [  # -O3 unrolls what runs a few times only
    "-O2",
    "--param=max-inline-insns-single=2000",
    "--param=inline-unit-growth=400",
    "-fno-strict-overflow",
]
KERNELS = (
    "toprung.forecast._events",
    "toprung.forecast._simulation",
    "toprung.forecast._transit",
    "toprung.live._ring",
    "toprung.observe._assemblies",
    "toprung.observe._calls",
    "toprung.observe._histograms",
    "toprung.observe._keys",
    "toprung.observe._prints",
    "toprung.observe._rows",
    "toprung.observe._samples",
    "toprung.observe._streams",
    "toprung.observe._talk",
    "toprung.wire._datagrams",
    "toprung.wire._fingerprints",
    "toprung.wire._fragments",
    "toprung.wire._intern",
    "toprung.wire._pipeline",
    "toprung.wire._records",
    "toprung.wire._submessages",
)


def extensions() -> list[Extension]:
    """Nothing on a big-endian host: the readers of _bytes.pxd are little-endian."""
    if sys.byteorder == "big":
        return []
    try:
        from Cython.Build import cythonize
    except ImportError:
        return []
    sources = [
        Extension(name, [f"src/{name.replace('.', '/')}.py"], extra_compile_args=FLAGS) for name in KERNELS
    ]
    quiet = {"show_performance_hints": False}
    kernels: list[Extension] = cythonize(
        sources, language_level=3, build_dir="build", compiler_directives=quiet
    )
    for kernel in kernels:
        kernel.optional = True  # cythonize makes extensions anew and forgets this
    return kernels


setup(ext_modules=extensions(), options={"build_ext": {"parallel": os.cpu_count()}})
