"""Hyoid: a FHIR R4 service for speech-language therapy."""

__version__ = "0.1.0"
