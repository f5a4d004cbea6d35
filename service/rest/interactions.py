"""Which function answers which interaction? One row each."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from service.rest import audit, bundle, export, history, operations, read, search, write
from service.rest.call import Answer, Call, Service
from service.rest.capability import capabilities, tell_smart_configuration
from service.rest.routing import Interaction

Handler = Callable[[Service, Call, Interaction], Answer]

INTERACTIONS: dict[str, Handler] = {
    "capabilities": capabilities,
    "smart-configuration": tell_smart_configuration,
    "read": read.read,
    "vread": read.vread,
    "create": write.create,
    "update": write.update,
    "patch": write.patch,
    "delete": write.delete,
    "conditional-update": write.conditional_update,
    "conditional-patch": write.conditional_patch,
    "conditional-delete": write.conditional_delete,
    "history-instance": history.show_history,
    "history-type": history.show_history,
    "history-system": history.show_history,
    "search-type": search.search_type,
    "search-system": search.search_system,
    "search-compartment": search.search_compartment,
    "operation": operations.operate,
    "export-status": export.show_status,
    "export-cancel": export.cancel_export,
    "export-file": export.send_file,
}
INTERACTIONS["transaction"] = partial(bundle.process, INTERACTIONS)
for _name, _answers in audit.ANSWERS.items():
    INTERACTIONS[_name] = partial(audit.instead, _answers, INTERACTIONS[_name])
