"""How do all records, or those of many clients, leave at once? Bulk Data Access 3.0.0.

http://hl7.org/fhir/uv/bulkdata/export.html. An export is a point in time of the versioned store:

- `request`: what was asked, as it is kept
- `filters`: the searches of `_typeFilter`; `members`: the clients of a Group
- `parts`: which walks meet everything that is asked; `listing`: the numbers of the versions, a
  step at a time, by whichever process is polled; `changed`: what was changed since
- `lines`: the bytes of a file, read from the store when it is fetched
"""
