"""What FHIR R4 says: pure rules over dictionaries, no SQL, no HTTP, no clock."""
