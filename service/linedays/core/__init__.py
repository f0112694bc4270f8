"""Pure derivation: facts and a policy in, lines, states and counts out. No I/O."""
