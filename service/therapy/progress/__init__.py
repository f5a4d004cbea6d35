"""Is the plan helping? The answer of `CarePlan/[id]/$progress`, and its three forms."""
