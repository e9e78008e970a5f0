"""The few pages people read. Plain HTML, made here, with no script and nothing fetched from elsewhere."""
