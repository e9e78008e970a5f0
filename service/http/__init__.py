"""What every call shares: how it is declared, how documents are read, what each request passes. It knows no subject."""
