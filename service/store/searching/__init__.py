"""How is a search answered from the search tables?

Each criterion is compiled to a probe (does this resource meet it?) and, where an index leads from
its values to resources, to arms (which resources meet it?). One criterion drives, the others
probe. `search.py` is the way in.
"""

from service.store.searching.search import Found, find, search

__all__ = ["Found", "find", "search"]
