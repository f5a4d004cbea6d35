"""What does an answered form come to? Questionnaires, their scores, and extraction.

Structured Data Capture 4.0 over R4. It lies in `standard`, not in `therapy`: what is done here is
what the standard says for any form, and nothing here knows a single instrument. What the trade
knows about an instrument (weights, formulas, cut-offs, rules for missing answers) is data in
mappings/questionnaires.
"""

from service.standard.questionnaires.extraction import Extraction, extract
from service.standard.questionnaires.shelf import find

__all__ = ["Extraction", "extract", "find"]
