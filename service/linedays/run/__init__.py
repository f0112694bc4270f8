"""The shell: reads the world through adapters, calls the core, and holds no rule of its own."""
