"""Where is it kept who looked at what? The audit log: appended to, chained, never changed."""
