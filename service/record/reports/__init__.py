"""Reports of field tests: submitted, judged, recorded and read back."""
