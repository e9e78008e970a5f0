"""The published contract: an OpenAPI 3.1 document made from the declared calls and the structs they use."""

from service.api.openapi.document import document as document
from service.api.openapi.published import published as published
