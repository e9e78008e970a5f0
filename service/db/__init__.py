"""Postgres: connections, the replica, named statements, migrations, and a server of the service's own."""
