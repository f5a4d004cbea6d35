"""What happened under a plan? Values, doses, responses and goals, read from FHIR resources."""
