"""How does a record leave? Everything, documents, bulk export."""
