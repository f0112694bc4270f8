"""The only part that does I/O: FHIR server, files, clock."""
