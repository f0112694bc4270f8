"""Pure translation between FHIR R4 and the core: records to facts, states to Task and Flag. No I/O."""
