"""What does a document about a plan of care say? From stored resources and $progress to XHTML.

Pure but for `material.py`, which reads the store: the same material gives the same bytes.
"""
