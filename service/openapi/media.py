"""What a body of each media type is, where it is no JSON document of a shape of ours."""

from typing import Any, Final

from service.http.media_types import CSV, HTML, JSON

_TEXT: Final[dict[str, Any]] = {"type": "string"}
_BINARY: Final[dict[str, Any]] = {"type": "string", "format": "binary"}

_GEOJSON: Final[dict[str, Any]] = {
    "type": "object",
    "description": "A FeatureCollection (RFC 7946): one feature an item of the list; its properties are the item's members.",
    "required": ["type", "features"],
    "properties": {
        "type": {"const": "FeatureCollection", "description": "Always `FeatureCollection`."},
        "features": {
            "type": "array",
            "description": "The items.",
            "items": {
                "type": "object",
                "description": "An item.",
                "required": ["type", "geometry", "properties"],
                "properties": {
                    "type": {"const": "Feature", "description": "Always `Feature`."},
                    "id": {"type": "string", "description": "The item's id."},
                    "geometry": {
                        "description": "Where it is (WGS 84: longitude, then latitude, in degrees), or null where that is not known.",
                        "anyOf": [
                            {
                                "type": "object",
                                "description": "A point.",
                                "required": ["type", "coordinates"],
                                "properties": {
                                    "type": {"const": "Point", "description": "Always `Point`."},
                                    "coordinates": {
                                        "type": "array",
                                        "description": "Longitude and latitude, in degrees.",
                                        "items": {"type": "number"},
                                        "minItems": 2,
                                        "maxItems": 2,
                                    },
                                },
                            },
                            {"type": "null"},
                        ],
                    },
                    "properties": {"type": "object", "description": "The item's members, by name."},
                },
            },
        },
    },
}

MEDIA: Final[dict[str, dict[str, Any]]] = {
    "image/svg+xml": {**_TEXT, "description": "A drawing (SVG 1.1)."},
    CSV: {**_TEXT, "description": "CSV (RFC 4180) with a heading row."},
    HTML: {**_TEXT, "description": "A page for people (HTML)."},
    "text/plain": {**_TEXT, "description": "Plain text."},
    "application/jose": {**_TEXT, "description": "A signed token: JWS in compact form (RFC 7515)."},
    "application/openmetrics-text": {**_TEXT, "description": "Metrics (OpenMetrics 1.0)."},
    "application/geo+json": _GEOJSON,
    "application/pdf": {**_BINARY, "description": "A report to print (PDF)."},
    "application/zip": _BINARY,
    "application/octet-stream": _BINARY,
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet": {
        **_BINARY,
        "description": "A workbook (Office Open XML).",
    },
    "multipart/form-data": {"type": "object", "description": "Files, each in a part of its own."},
}


def lines_of(schema: dict[str, Any]) -> dict[str, Any]:
    """A text whose every line is JSON of that schema; JSON Schema 2020-12, section 8, has words for what a text holds."""
    return {
        "type": "string",
        "contentMediaType": JSON,
        "contentSchema": schema,
        "description": "NDJSON: each line is a JSON document of this schema.",
    }
