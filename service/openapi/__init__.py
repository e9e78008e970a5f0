"""The published contract: an OpenAPI 3.1 document made from the declared calls and the structs they use."""

from service.openapi.document import document as document
from service.openapi.published import published as published
