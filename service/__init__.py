"""The service: HTTP in, the rules asked, Postgres written, HTTP out. It talks; it decides nothing that the rules decide."""
