"""How does a resource become search rows? `walks` finds the values, the others write them.

One file a kind of parameter; each knows which datatypes its kind takes and how, after the tables
of FHIR R4, Search, section Search Parameter Types. `service.standard.search_values` is the door.
"""
