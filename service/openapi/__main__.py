"""`python -m service.openapi`: write the published contract again from the declared calls."""

from importlib.metadata import version

from service import endpoints as calls
from service.openapi.document import document
from service.openapi.published import PATH, as_text

PATH.write_text(as_text(document(calls.operations, version("nonreturn"))), encoding="utf-8")
