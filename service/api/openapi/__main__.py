"""`python -m service.api.openapi`: write the published contract again from the declared calls."""

from importlib.metadata import version

from service.api import calls
from service.api.openapi.document import document
from service.api.openapi.published import PATH, as_text

PATH.write_text(as_text(document(calls.operations, version("nonreturn"))), encoding="utf-8")
