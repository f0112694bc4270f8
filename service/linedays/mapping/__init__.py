"""Pure translation of the data in mappings/ into the core policy, with every problem reported. No I/O."""
