"""Pure translation between FHIR R4 and the core: records to facts, states and values to what is written. No I/O."""
