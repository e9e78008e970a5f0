"""What happens: things are registered and changed, reports submitted and corrected. No HTTP, no SQL text."""
