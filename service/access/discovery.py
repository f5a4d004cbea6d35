"""What does a client find out about access before it has any?

SMART App Launch 2, "Conformance": `[base]/.well-known/smart-configuration`; and the security part
of the CapabilityStatement.
"""

from __future__ import annotations

from typing import Any

from service.access.addresses import Addresses
from service.access.client_keys import ALGORITHMS
from service.access.scopes import supported

_OAUTH_URIS = "http://fhir-registry.smarthealthit.org/StructureDefinition/oauth-uris"
_SERVICE = "http://terminology.hl7.org/CodeSystem/restful-security-service"


def smart_configuration(addresses: Addresses) -> dict[str, Any]:
    """The document, for systems only.

    No `authorization_endpoint`: people sign in to this service itself or at their organisation's
    identity provider; codes for apps of others are not given out here.
    """
    return {
        "token_endpoint": addresses.token,
        "token_endpoint_auth_methods_supported": ["private_key_jwt"],
        "token_endpoint_auth_signing_alg_values_supported": list(ALGORITHMS),
        "grant_types_supported": ["client_credentials"],
        "scopes_supported": [scope for scope in supported() if scope.startswith("system/")],
        "introspection_endpoint": addresses.introspection,
        "introspection_endpoint_auth_methods_supported": ["private_key_jwt"],
        "revocation_endpoint": addresses.revocation,
        "revocation_endpoint_auth_methods_supported": ["private_key_jwt"],
        "jwks_uri": addresses.keys,
        "code_challenge_methods_supported": ["S256"],
        "capabilities": ["client-confidential-asymmetric", "permission-v1", "permission-v2"],
    }


def smart_security(addresses: Addresses) -> dict[str, Any]:
    """`CapabilityStatement.rest.security`.

    The extension has `token` alone. Its definition also asks for `authorize`, which we have not;
    but the SMART client for Python finds the token endpoint nowhere else.
    """
    return {
        "extension": [
            {
                "url": _OAUTH_URIS,
                "extension": [{"url": "token", "valueUri": addresses.token}],
            }
        ],
        "service": [{"coding": [{"system": _SERVICE, "code": "SMART-on-FHIR"}]}],
        "description": (
            "An access token is needed for everything but this statement and"
            " .well-known/smart-configuration, which says where systems get one. People sign in"
            " at access/sign-in; apps of others are given no authorization codes."
        ),
    }
