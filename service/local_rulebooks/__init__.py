"""Local rulebooks: what a utility states of its own ordinance over its state's rulebook."""
