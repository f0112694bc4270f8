"""The only part that does I/O: FHIR server, files, the writer's store, clock."""
