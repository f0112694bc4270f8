"""A real FHIR server behind our adapter that says that it takes only some kinds of Bundle. I/O: HTTP."""

import json

from linedays.adapters.fhir_server import FhirServer


class Offering(FhirServer):
    """The real server, saying that it takes only some kinds of Bundle."""

    offers: tuple[str, ...] = ()

    def read_metadata(self) -> bytes:
        statement = json.loads(super().read_metadata())
        statement["rest"][0]["interaction"] = [{"code": code} for code in self.offers]
        return json.dumps(statement).encode()
