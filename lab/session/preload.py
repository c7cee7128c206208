"""What should a worker process have at hand before its first frame? Importing this builds it.

It is the family of blur shapes, which takes two seconds to build. A server that has imported
this module forks processes that have it, and share its memory. Nothing else imports it.
"""

import ctypes
import sys
from contextlib import suppress

from lab.edges.shapes import shape_family

__all__ = ()

shape_family()
if sys.platform == "linux":
    # Building takes many times what is kept. The GNU C library holds on to the rest, and every
    # process that is forked would count it as its own.
    with suppress(AttributeError, OSError):  # another C library
        ctypes.CDLL(None).malloc_trim(0)
