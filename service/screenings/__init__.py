"""Records that deserve a second look, and the trends of an assembly's components."""
