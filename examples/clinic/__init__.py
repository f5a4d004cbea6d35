"""What does a year in a small clinic look like as FHIR? An invented one, made by a seeded script.

All people, places and numbers are invented. Nothing here is advice: which technique suits a
client is for the licensed therapist and local rules to decide.

    for bundle in bundles(): post(bundle)      # transaction Bundles, in the order of time

Sent twice, there is still one of everything; the plans, which are PUT version by version, get
their versions a second time.

The package stands alone (it imports nothing of the service), so it can be loaded by its path; it
reads code displays from mappings/code-systems beside examples/.
"""

from .build import DEFAULT_SEED, DEFAULT_UNTIL, bundles

__all__ = ["DEFAULT_SEED", "DEFAULT_UNTIL", "bundles"]
