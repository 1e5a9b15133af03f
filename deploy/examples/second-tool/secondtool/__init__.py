"""A diagnostic tool for the bench: socket, transport, services, tasks."""
