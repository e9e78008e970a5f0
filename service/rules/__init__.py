"""The calls that ask the rules and store nothing; a rulebook's file, checked."""
