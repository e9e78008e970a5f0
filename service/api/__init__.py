"""HTTP and structs only: one file a resource, each call declared once with `operation`."""
