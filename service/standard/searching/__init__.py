"""What does a search ask for? The query string of R4 search read into dataclasses.

Source: http://hl7.org/fhir/R4/search.html. `service.standard.search_query` is the way in.
"""
