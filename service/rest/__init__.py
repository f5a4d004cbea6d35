"""What may be asked over HTTP? FHIR interactions and operations, one file each."""
