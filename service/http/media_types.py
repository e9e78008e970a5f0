"""The media types that calls take and answer."""

from typing import Final

JSON: Final = "application/json"
NDJSON: Final = "application/x-ndjson"
CSV: Final = "text/csv"
GEOJSON: Final = "application/geo+json"
HTML: Final = "text/html"
JOSE: Final = "application/jose"
