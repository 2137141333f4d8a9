"""The engine process: ports, sending, timing threads, and the link's server."""
