"""What does a definition come to for one client? `$apply` of R4, pure.

R4: PlanDefinition and ActivityDefinition, section Applying; OperationDefinition
PlanDefinition-apply and ActivityDefinition-apply. Nothing is stored: `plans.py` and
`activities.py` make the pieces, `forms.py` puts them into a CarePlan that contains them, or into a
transaction that can be posted as it is.
"""

from service.standard.applying.activities import apply_activity
from service.standard.applying.context import Context
from service.standard.applying.forms import as_care_plan, as_transaction
from service.standard.applying.plans import Applied, apply_plan

__all__ = ["Applied", "Context", "apply_activity", "apply_plan", "as_care_plan", "as_transaction"]
