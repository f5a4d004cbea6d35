"""Which scopes are there, and what is left of those that are asked for?

The reading lies in `service/standard/scopes.py`, where the store can use it too.
"""

from service.standard.scopes import Scope, narrowed, parse_scope, supported

__all__ = ["Scope", "narrowed", "parse_scope", "supported"]
