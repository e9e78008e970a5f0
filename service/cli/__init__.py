"""The `nonreturn` command: what each of its subcommands does."""
