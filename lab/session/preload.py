"""What should a worker process have at hand before its first frame? Importing this builds it.

It is the family of blur shapes, which takes two seconds to build. A server that has imported
this module forks processes that have it, and share its memory. Nothing else imports it.
"""

from lab.edges.shapes import shape_family

__all__ = ()

shape_family()
